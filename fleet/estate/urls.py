"""Doors, people and accounts. Of the account library only what is listed here can be reached, each with its need."""

from allauth.account import views as account_library
from allauth.mfa.base import views as factors
from allauth.mfa.recovery_codes import views as codes
from allauth.mfa.totp import views as app_codes
from allauth.mfa.webauthn import views as keys
from django.urls import include, path

from fleet.estate import account_views, address_views, people_views, sign_in_views, token_views
from fleet.estate import identity_provider as provider
from fleet.estate.access import Need, page

own = page(Need.SELF)
anyone = page(Need.PUBLIC)
counted = sign_in_views.second_factor_door

estate_pages = [
    path("people/", people_views.people_page, name="people"),
    path("people/invite/", people_views.invite, name="invite"),
    path("people/<int:pk>/", people_views.member, name="member"),
    path("people/<int:pk>/remove/", people_views.remove_member, name="remove_member"),
    path(
        "people/invitations/<int:pk>/withdraw/", people_views.withdraw_invitation, name="withdraw_invitation"
    ),
    path("organisation/settings/", people_views.organisation_page, name="organisation"),
    path("organisation/keeping/", people_views.keeping, name="keeping"),
    path("organisation/security-log/", people_views.security_events, name="security_log"),
    path("tokens/", token_views.tokens, name="tokens"),
    path("tokens/<int:pk>/revoke/", token_views.revoke, name="revoke_token"),
    path("account/", account_views.account, name="account"),
    path("account/password/", account_views.password, name="password"),
    path("account/address/", address_views.new_address, name="new_address"),
    path("account/address/<str:secret>/", address_views.take_address, name="take_address"),
    path("account/data.json", account_views.own_data, name="own_data"),
    path("account/erase/", account_views.erase, name="erase"),
    path("account/sessions/<int:pk>/end/", account_views.end_session, name="end_session"),
    path("account/sessions/end-others/", account_views.end_other_sessions, name="end_other_sessions"),
    path("join/<str:secret>/", sign_in_views.join, name="join"),
    path("new-password/", sign_in_views.ask_for_password, name="ask_for_password"),
    path("new-password/<str:uidb64>/<str:token>/", sign_in_views.new_password, name="new_password"),
]
# The names below are the library's own; it looks its pages up by them.
library_pages = [
    path("sign-in/", sign_in_views.sign_in, name="account_login"),
    path("sign-out/", sign_in_views.sign_out, name="account_logout"),
    path("account/confirm/", own(counted(account_library.reauthenticate)), name="account_reauthenticate"),
    path("sign-in/second-factor/", anyone(counted(factors.authenticate)), name="mfa_authenticate"),
    path("account/second-factor/", own(factors.index), name="mfa_index"),
    path("account/confirm/code/", own(counted(factors.reauthenticate)), name="mfa_reauthenticate"),
    path(
        "account/confirm/key/", own(counted(keys.reauthenticate_webauthn)), name="mfa_reauthenticate_webauthn"
    ),
    path("account/second-factor/app/", own(app_codes.activate_totp), name="mfa_activate_totp"),
    path("account/second-factor/app/remove/", own(app_codes.deactivate_totp), name="mfa_deactivate_totp"),
    path("account/second-factor/codes/", own(codes.view_recovery_codes), name="mfa_view_recovery_codes"),
    path(
        "account/second-factor/codes/new/",
        own(codes.generate_recovery_codes),
        name="mfa_generate_recovery_codes",
    ),
    path(
        "account/second-factor/codes/file/",
        own(codes.download_recovery_codes),
        name="mfa_download_recovery_codes",
    ),
    path("account/second-factor/keys/", own(keys.list_webauthn), name="mfa_list_webauthn"),
    path("account/second-factor/keys/add/", own(keys.add_webauthn), name="mfa_add_webauthn"),
    path("account/second-factor/keys/<int:pk>/", own(keys.edit_webauthn), name="mfa_edit_webauthn"),
    path(
        "account/second-factor/keys/<int:pk>/remove/", own(keys.remove_webauthn), name="mfa_remove_webauthn"
    ),
    path("sign-in/key/", anyone(counted(keys.login_webauthn)), name="mfa_login_webauthn"),
    path("sign-in/by/<slug:provider_id>/", anyone(provider.login), name="openid_connect_login"),
    path("sign-in/by/<slug:provider_id>/back/", anyone(provider.callback), name="openid_connect_callback"),
]
urlpatterns = [path("", include((estate_pages, "estate"))), *library_pages]
