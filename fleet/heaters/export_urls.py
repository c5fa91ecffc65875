from django.urls import path

from fleet.heaters import export_views, quality_views

app_name = "heaters_export"
urlpatterns = [
    path("export/", export_views.export, name="export"),
    path("export/record.<str:file_format>", export_views.export_file, name="export_file"),
    path("export/made/", export_views.have_made, name="have_made"),
    path("export/made/<int:pk>/", export_views.made_file, name="made_file"),
    path("export/properties.geojson", export_views.properties_geojson, name="geojson"),
    path("export/datapackage.json", export_views.data_dictionary, name="data_dictionary"),
    path("export/cobie.xlsx", export_views.building_cobie, name="cobie"),
    path("records/missing/", quality_views.data_quality, name="data_quality"),
    path("records/missing/compute/", quality_views.compute_data_quality, name="compute_data_quality"),
]
