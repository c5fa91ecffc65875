from django.urls import path

from fleet.heaters import views

app_name = "heaters"
urlpatterns = [
    path("import/", views.import_start, name="import_start"),
    path("import/<int:pk>/", views.import_batch, name="import_batch"),
    path("import/<int:pk>/columns/", views.import_columns, name="import_columns"),
    path("import/<int:pk>/accept/", views.import_accept, name="import_accept"),
    path("import/<int:pk>/refused/<int:sheet>/", views.import_refused, name="import_refused"),
]
