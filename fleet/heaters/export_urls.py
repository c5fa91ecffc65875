from django.urls import path

from fleet.heaters import export_views

app_name = "heaters_export"
urlpatterns = [
    path("export/", export_views.export, name="export"),
    path("export/record.<str:file_format>", export_views.export_file, name="export_file"),
]
