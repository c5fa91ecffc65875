from django.urls import path

from fleet.reminders import delivery_views, feed_views, hook_views, inbox_views, wish_views

app_name = "reminders"
urlpatterns = [
    path("inbox/", inbox_views.inbox, name="inbox"),
    path("inbox/read/", inbox_views.read_all, name="read_all"),
    path("inbox/<int:pk>/take-on/", inbox_views.take_on, name="take_on"),
    path("reminders/", wish_views.wishes, name="wishes"),
    path("reminders/properties/<int:pk>/", wish_views.property_wish, name="property_wish"),
    path("reminders/properties/<int:pk>/drop/", wish_views.drop_wish, name="drop_wish"),
    path("reminders/test/", wish_views.test_mail, name="test_mail"),
    path("reminders/calendar/", wish_views.new_calendar, name="new_calendar"),
    path("reminders/calendar/close/", wish_views.close_calendar, name="close_calendar"),
    path("reminders/stop/<str:token>/", wish_views.stop, name="stop"),
    path("reminders/calendar/<str:secret>.ics", feed_views.calendar, name="calendar"),
    path("reminders/sent/", delivery_views.deliveries, name="deliveries"),
    path("reminders/sent/<int:pk>/<str:verb>/", delivery_views.settle, name="settle"),
    path("reminders/hooks/", hook_views.hooks, name="hooks"),
    path("reminders/hooks/<int:pk>/<str:verb>/", hook_views.hook, name="hook"),
    path("reminders/escalation/", hook_views.escalation, name="escalation"),
    path("reminders/escalation/<int:pk>/remove/", hook_views.remove_rule, name="remove_rule"),
]
