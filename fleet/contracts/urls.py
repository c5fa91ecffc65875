from django.urls import path

from fleet.contracts import access_views

app_name = "contracts"
urlpatterns = [
    path("access/", access_views.access, name="access"),
    path("access/<int:pk>/revoke/", access_views.revoke, name="revoke"),
    path("clients/", access_views.clients, name="clients"),
    path("clients/places/", access_views.places, name="places"),
]
