from django.urls import path

from fleet.care import label_views, phone_views, sent_views, setting_views, views, visit_views

app_name = "care"
urlpatterns = [
    path("work/", views.queue, name="queue"),
    path("work/buildings/<int:pk>/", views.building, name="building"),
    path("work/heaters/<int:pk>/", views.heater, name="heater"),
    path("work/tasks/<int:pk>/", views.task, name="task"),
    path("work/tasks/<int:pk>/leave-out/", views.leave_out, name="leave_out"),
    path("work/tasks/<int:pk>/move/", views.move, name="move"),
    path("work/tasks/<int:pk>/unsafe/", views.unsafe, name="unsafe"),
    path("work/tasks/<int:pk>/photo/", views.add_photo, name="add_photo"),
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
    path("work/phone/", phone_views.phone_page, name="phone"),
    path("work/phone/day/", phone_views.day, name="phone_day"),
    path("work/phone/sync/", phone_views.sync, name="phone_sync"),
    path("work/phone/photo/", phone_views.photo, name="phone_photo"),
    path("work/phone/worker.js", phone_views.worker, name="phone_worker"),
    path("work/phone/manifest.webmanifest", phone_views.manifest, name="phone_manifest"),
    path("work/pictures/<int:pk>/", phone_views.small_picture, name="small_picture"),
    path("work/buildings/<int:pk>/today/", phone_views.go_today, name="go_today"),
    path("work/sent/", sent_views.sent, name="sent"),
    path("work/sent/<int:pk>/settle/", sent_views.settle, name="settle"),
    path("c/<str:code>/", label_views.scanned, name="scanned"),
]
