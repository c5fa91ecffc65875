from django.urls import path

from fleet.estate import token_views

app_name = "estate"
urlpatterns = [
    path("tokens/", token_views.tokens, name="tokens"),
    path("tokens/<int:pk>/revoke/", token_views.revoke, name="revoke_token"),
]
