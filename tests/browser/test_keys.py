"""A key (passkey) set up and used in a real browser, with a made-up authenticator behind it."""

from __future__ import annotations

from typing import Any

import pytest
from django.urls import reverse

from tests.conftest import Cast

pytestmark = pytest.mark.browser


def test_a_key_is_set_up_and_then_signs_in_without_a_password(
    cast: Cast, browser_page: Any, live_server: Any
) -> None:
    page, root = browser_page, live_server.url.replace("127.0.0.1", "localhost")
    driver = page.context.new_cdp_session(page)
    driver.send("WebAuthn.enable")
    driver.send(
        "WebAuthn.addVirtualAuthenticator",
        {
            "options": {
                "protocol": "ctap2",
                "transport": "internal",
                "hasResidentKey": True,
                "hasUserVerification": True,
                "isUserVerified": True,
                "automaticPresenceSimulation": True,
            }
        },
    )
    page.goto(root + reverse("pages:sign_in"))
    page.fill("[name=username]", "owner@almanac.example")
    page.fill("[name=password]", "water-heater-9")
    page.get_by_role("button", name="Sign in", exact=True).click()
    page.wait_for_url(root + "/")
    page.goto(root + reverse("mfa_add_webauthn"))
    page.fill("[name=password]", "water-heater-9")
    page.get_by_role("button", name="Go on").click()
    page.wait_for_url("**" + reverse("mfa_add_webauthn"))
    page.fill("[name=name]", "Phone")
    page.check("[name=passwordless]")
    page.get_by_role("button", name="Add").click()
    page.wait_for_url("**" + reverse("mfa_view_recovery_codes"))
    page.goto(root + reverse("mfa_list_webauthn"))
    assert page.get_by_role("link", name="Phone", exact=True).is_visible()
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url("**" + reverse("pages:sign_in"))
    page.get_by_role("button", name="Use a key").click()
    page.wait_for_url(root + "/")
    assert page.get_by_role("link", name="Your account").is_visible()
