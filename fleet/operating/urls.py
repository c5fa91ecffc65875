from django.urls import path

from fleet.operating import views

app_name = "operating"
urlpatterns = [
    path("health", views.health, name="health"),
    path("ready", views.ready, name="ready"),
    path("metrics", views.metrics, name="metrics"),
]
