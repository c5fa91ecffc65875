from django.urls import path

from fleet.pages import (
    chart_views,
    estate_views,
    habit_views,
    heater_views,
    help_views,
    search_views,
    views,
)

app_name = "pages"
urlpatterns = [
    path("", views.portfolio, name="portfolio"),
    path("sign-in/", views.sign_in, name="sign_in"),
    path("sign-out/", views.sign_out, name="sign_out"),
    path("organisation/", views.choose_organisation, name="choose_organisation"),
    path("health", views.health, name="health"),
    path("find/", search_views.find, name="find"),
    path("help/how-the-forecast-is-made/", help_views.method, name="method"),
    path("help/trade-words/", help_views.trade_words, name="trade_words"),
    path("help/keys/", help_views.keys, name="keys"),
    path("reading-habits/", habit_views.reading_habits, name="reading_habits"),
    path("changes/", views.history, name="history"),
    path("jobs/<int:pk>/", views.job, name="job"),
    path("jobs/<int:pk>/cancel/", views.cancel_job, name="cancel_job"),
    path("jobs/<int:pk>/again/", views.try_job_again, name="try_job_again"),
    path("properties/", estate_views.properties, name="properties"),
    path("properties/<int:pk>/", estate_views.property_page, name="property"),
    path("buildings/<int:pk>/", estate_views.building, name="building"),
    path("positions/<int:pk>/", estate_views.position, name="position"),
    path("positions/<int:pk>/edit/", estate_views.edit_position, name="edit_position"),
    path("positions/<int:pk>/put-in/", heater_views.put_in, name="put_in_heater"),
    path("heaters/", heater_views.heaters, name="heaters"),
    path("heaters/<int:pk>/", heater_views.heater, name="heater"),
    path("heaters/<int:pk>/edit/", heater_views.edit_heater, name="edit_heater"),
    path("heaters/<int:pk>/attach/", heater_views.attach_file, name="attach"),
    path("attachments/<int:pk>/", heater_views.attachment, name="attachment"),
    path("pictures/ages.svg", chart_views.ages, name="ages_picture"),
    path("pictures/money.svg", chart_views.money, name="money_picture"),
    path("pictures/queue.svg", chart_views.queue, name="queue_picture"),
    path("pictures/heaters/<int:pk>/outlook.svg", chart_views.outlook, name="outlook_picture"),
]
