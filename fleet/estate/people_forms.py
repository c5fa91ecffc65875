"""Forms of people and accounts."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.forms import PasswordChangeForm, SetPasswordForm, SetPasswordMixin

from fleet.estate import retention
from fleet.estate.choice_fields import NamedField, some_properties
from fleet.estate.models import Membership, Organisation, Person, Property

ROLE_WORDS = {
    "owner": "Owner: also people and settings",
    "planner": "Planner: records, plans and money",
    "technician": "Technician: records and work",
    "company": "Plumbing company: records and work",
    "viewer": "Viewer: reads, changes nothing",
}


def _twice(first: str, again: str) -> tuple[forms.CharField, forms.CharField]:
    """A new password and the same once more, whose label says so."""
    password, once_more = SetPasswordMixin.create_password_fields(label1=first, label2=again)
    once_more.help_text = ""
    return password, once_more


class NewPasswordForm(SetPasswordForm):  # type: ignore[type-arg]
    """After the link of a mail."""

    new_password1, new_password2 = _twice("New password", "The new password once more")


class ChangePasswordForm(PasswordChangeForm):  # type: ignore[type-arg]
    new_password1, new_password2 = _twice("New password", "The new password once more")


class AskForPasswordForm(forms.Form):
    email = forms.EmailField(
        label="E-mail address", widget=forms.EmailInput(attrs={"autocomplete": "username"})
    )


class NewAddressForm(forms.Form):
    email = forms.EmailField(
        label="New e-mail address", max_length=254, widget=forms.EmailInput(attrs={"autocomplete": "email"})
    )

    def __init__(self, *args: Any, person: Person, **options: Any) -> None:
        super().__init__(*args, **options)
        self.person = person

    def clean_email(self) -> str:
        email = str(self.cleaned_data["email"]).strip().lower()
        if email == self.person.email:
            raise forms.ValidationError("That is the address you have now.")
        return email


class JoinForm(SetPasswordMixin, forms.Form):
    """Name and password of a new person."""

    name = forms.CharField(
        label="Your name", max_length=200, widget=forms.TextInput(attrs={"autocomplete": "name"})
    )
    password1, password2 = _twice("Password", "The password once more")

    def __init__(self, *args: Any, email: str, **options: Any) -> None:
        super().__init__(*args, **options)
        self.person = Person(email=email)

    def clean(self) -> dict[str, Any]:
        self.validate_passwords("password1", "password2")
        self.person.name = self.cleaned_data.get("name", "")
        self.validate_password_for_user(self.person, "password2")
        return super().clean() or self.cleaned_data


class MemberForm(forms.Form):
    """What somebody may do, and where."""

    role = forms.ChoiceField(
        label="Role", choices=[(value, ROLE_WORDS[value]) for value in Membership.Role.values]
    )
    all_properties = forms.TypedChoiceField(
        label="Where",
        choices=[("yes", "All properties, also new ones"), ("no", "Only those ticked below")],
        widget=forms.RadioSelect,
        coerce=lambda text: text == "yes",
        initial="yes",
    )

    def __init__(self, *args: Any, organisation: Organisation, **options: Any) -> None:
        super().__init__(*args, **options)
        field = some_properties("Properties", Property.objects.filter(organisation=organisation))
        self.fields["properties"] = field
        everywhere = self.initial.get("all_properties", "yes") in ("yes", True)
        if everywhere and not Property.objects.filter(organisation=organisation).exists():
            # A company without heaters of its own: there is nothing to tick, and no choice to make.
            self.fields["all_properties"].widget = forms.HiddenInput()
            self.fields["properties"].widget = forms.MultipleHiddenInput()
        if isinstance(field, NamedField):
            where = self.fields["all_properties"]
            assert isinstance(where, forms.TypedChoiceField)
            where.choices = [("yes", "All properties, also new ones"), ("no", "Only those named below")]

    @property
    def property_ids(self) -> list[int] | None:
        """None for all."""
        if self.cleaned_data["all_properties"]:
            return None
        return [row.pk for row in self.cleaned_data["properties"]]


class InviteForm(MemberForm):
    email = forms.EmailField(label="E-mail address")
    field_order = ("email", "role", "all_properties", "properties")

    def __init__(self, *args: Any, **options: Any) -> None:
        super().__init__(*args, **options)
        # Nobody becomes an owner because a list was left as it stood.
        self.initial.setdefault("role", Membership.Role.VIEWER)


class OrganisationForm(forms.Form):
    name = forms.CharField(label="Name of the organisation", max_length=200)
    second_factor_required = forms.BooleanField(
        label="Everybody needs a second factor",
        required=False,
        help_text="Who has none sees nothing of this organisation until one is set up. Personal tokens and calendar "
        "addresses made without one open nothing here while this stands.",
    )


class KeepingForm(forms.Form):
    """How many days each thing is kept."""

    def __init__(self, *args: Any, days: dict[str, int], **options: Any) -> None:
        super().__init__(*args, **options)
        for what, kept in retention.known().items():
            self.fields[what] = forms.IntegerField(
                label=f"{kept.words} (days)",
                initial=days[what],
                min_value=kept.least_days,
                max_value=retention.LONGEST_DAYS,
            )


class EraseForm(forms.Form):
    """The address typed out, and the password where there is one."""

    email = forms.CharField(label="Your e-mail address, typed out", max_length=254)
    password = forms.CharField(
        label="Your password",
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
        strip=False,
    )

    def __init__(self, *args: Any, person: Person, **options: Any) -> None:
        super().__init__(*args, **options)
        self.person = person
        if not person.has_usable_password():
            del self.fields["password"]

    def clean_email(self) -> str:
        email = str(self.cleaned_data["email"]).strip().lower()
        if email != self.person.email:
            raise forms.ValidationError("That is not the address that you signed in with.")
        return email

    def clean_password(self) -> str:
        password = str(self.cleaned_data["password"])
        if not self.person.check_password(password):
            raise forms.ValidationError("That is not your password.")
        return password


class NameForm(forms.ModelForm):
    class Meta:
        model = Person
        fields = ("name",)
        labels = {"name": "Your name"}
