"""Contacts and escalation as the site file gives them: what they become, and what is refused."""

from __future__ import annotations

from typing import Any

import pytest
from pydantic import TypeAdapter, ValidationError

from gateway.alarms.contacts import Contact
from gateway.model import Priority
from gateway.site_alarms import AlarmsForm, ContactForm, Contacts, alarm_plan


def test_contacts_and_waits_become_frozen_parameters() -> None:
    form = AlarmsForm.model_validate({"escalate_now_min": 3.0})
    rows = [
        ContactForm.model_validate({"name": "Ana", "hours": ["06:00-22:00", "23:30-00:15"], "least": "when-you-can"}),
        ContactForm.model_validate({"name": "Luis", "order": 2, "language": "es"}),
    ]
    plan = alarm_plan(form, rows)
    assert plan.contacts == (
        Contact(name="Ana", order=1, hours=((360, 1320), (1410, 15)), least=Priority.WHEN_YOU_CAN, language="en"),
        Contact(name="Luis", order=2, hours=(), least=Priority.SOON, language="es"),
    )
    assert plan.escalate_s == {Priority.NOW: 180.0, Priority.SOON: 1800.0}


@pytest.mark.parametrize(
    "row",
    [
        {},
        {"name": ""},
        {"name": "Ana\r\nBcc: x@example.org"},
        {"name": "A" * 41},
        {"name": "Ana", "order": 0},
        {"name": "Ana", "order": 1.5},
        {"name": "Ana", "hours": ["6:00-22:00"]},
        {"name": "Ana", "hours": ["06:00-24:00"]},
        {"name": "Ana", "least": "never"},
        {"name": "Ana", "language": "de"},
        {"name": "Ana", "phone": "1"},
    ],
)
def test_a_contact_that_does_not_fit_is_refused(row: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        ContactForm.model_validate(row)


def test_a_name_that_stands_twice_is_refused() -> None:
    with pytest.raises(ValidationError, match="twice"):
        TypeAdapter(Contacts).validate_python([{"name": "Ana"}, {"name": "Ana"}])


@pytest.mark.parametrize("value", [0.5, 121.0, float("nan"), float("inf"), "5", True])
def test_a_wait_that_does_not_fit_is_refused(value: Any) -> None:
    with pytest.raises(ValidationError):
        AlarmsForm.model_validate({"escalate_now_min": value})
