"""How a person reads: units, days, colours, contrast, keys."""

from __future__ import annotations

from typing import cast

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from fleet.estate.access import MemberRequest, Need, page
from fleet.pages.models import ReadingHabit


class HabitForm(forms.ModelForm):  # type: ignore[type-arg]
    class Meta:
        model = ReadingHabit
        fields = ("units", "days", "colours", "strong_contrast", "keys")
        help_texts = {
            "units": "What the pages show and ask. The record keeps one unit a fact, whoever enters it.",
            "keys": "Such as / to find. Switch them off if you steer by voice.",
        }


@page(Need.READ)
def reading_habits(request: HttpRequest) -> HttpResponse:
    person = cast(MemberRequest, request).user
    row = ReadingHabit.objects.filter(person=person).first() or ReadingHabit(person=person)
    form = HabitForm(request.POST or None, instance=row)
    if request.method == "POST" and form.is_valid():
        form.save()
        messages.success(request, "Your pages now read this way.")
        return redirect("pages:reading_habits")
    return render(request, "pages/reading_habits.html", {"form": form})
