from django.urls import path

from fleet.planning import (
    capital_views,
    cost_book_file_views,
    cost_book_views,
    prior_views,
    trust_views,
    views,
)

app_name = "planning"
urlpatterns = [
    path("plan/", views.plan, name="plan"),
    path("plan/by/<str:grouping>/", views.grouped, name="grouped"),
    path("plan/heaters/", views.heaters, name="heaters"),
    path("plan/file/<str:what>.<str:file_format>", views.download, name="download"),
    path("plan/runs/", views.runs, name="runs"),
    path("plan/runs/ask/", views.ask, name="ask"),
    path("plan/runs/<int:pk>/", views.run, name="run"),
    path("plan/runs/<int:pk>/cancel/", views.cancel, name="cancel"),
    path("plan/capital/", capital_views.capital, name="capital"),
    path("plan/capital/<int:pk>/", capital_views.capital_plan, name="capital_plan"),
    path("plan/capital/<int:pk>/compare/", capital_views.compare, name="capital_compare"),
    path("plan/capital/<int:pk>/<str:what>.svg", capital_views.picture, name="capital_picture"),
    path("plan/capital/<int:pk>/file.<str:file_format>", capital_views.download, name="capital_file"),
    path("plan/trust/", trust_views.how_far, name="trust"),
    path("plan/trust/ask/", trust_views.ask, name="ask_check"),
    path("plan/trust/<int:pk>/cancel/", trust_views.cancel, name="cancel_check"),
    path("plan/trust/survival/<str:kind>.svg", trust_views.survival_picture, name="survival_picture"),
    path("plan/trust/failures/<str:grouping>.svg", trust_views.failures_picture, name="failures_picture"),
    path("plan/priors/", prior_views.table, name="priors"),
    path("plan/priors/<str:table>/<str:row_id>/", prior_views.one, name="prior"),
    path("plan/cost-book/", cost_book_views.cost_book, name="cost_book"),
    path("plan/cost-book/file.<str:file_format>", cost_book_file_views.cost_book_file, name="cost_book_file"),
    path("plan/cost-book/import/", cost_book_file_views.import_cost_book, name="import_cost_book"),
    path("plan/cost-book/add/", cost_book_views.add_line, name="add_cost_line"),
]
