from django.urls import path

from fleet.care import label_views, setting_views, views, visit_views

app_name = "care"
urlpatterns = [
    path("work/", views.queue, name="queue"),
    path("work/buildings/<int:pk>/", views.building, name="building"),
    path("work/heaters/<int:pk>/", views.heater, name="heater"),
    path("work/tasks/<int:pk>/", views.task, name="task"),
    path("work/tasks/<int:pk>/leave-out/", views.leave_out, name="leave_out"),
    path("work/tasks/<int:pk>/move/", views.move, name="move"),
    path("work/tasks/<int:pk>/unsafe/", views.unsafe, name="unsafe"),
    path("work/unsafe/", views.unsafe_list, name="unsafe_list"),
    path("work/unsafe/<int:pk>/close/", views.close_unsafe, name="close_unsafe"),
    path("work/buildings/<int:pk>/labels/", label_views.labels, name="labels"),
    path("work/heaters/<int:pk>/card/", label_views.card, name="card"),
    path("work/visits/", visit_views.visits, name="visits"),
    path("work/buildings/<int:pk>/visits/plan/", visit_views.plan, name="plan_visits"),
    path("work/visits/<int:pk>/move/", visit_views.move, name="move_visit"),
    path("work/visits/<int:pk>/notice/", visit_views.notice, name="notice"),
    path("work/properties/<int:pk>/rules/", setting_views.settings_page, name="settings"),
    path("work/leaks/<int:pk>/answer/", label_views.answer, name="answer_leak"),
    path("c/<str:code>/", label_views.scanned, name="scanned"),
]
