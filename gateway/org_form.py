"""Owns: the form of the organisation file: which keys each table has, what each may hold, what must agree.

Must not know: brokers, stores, pages, how a problem is worded.
How it works: pydantic models made of the same words as the site file's, and checks that walk the raw values, so that
one mistake hides no other. Gateways are named in one of two ways: by a root under which each has one name of its own,
or by the list of their prefixes.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from pydantic import AfterValidator, BaseModel, Field

from gateway.site_form import BrokerForm, Languages
from gateway.site_lines import Document, Problem, did_you_mean, nearest, shown, text_of
from gateway.site_streams import Base
from gateway.site_web import WebForm, web_checks
from gateway.site_words import STRICT, File, Title, Topic, once_each

MOST_LISTED = 5_000
_YES_NO = "true or false"


def _page(text: str) -> str:
    """A bare address of a page. Raises ValueError."""
    parts = urlsplit(text)
    if parts.scheme not in ("http", "https") or not parts.hostname or parts.username or parts.password:
        raise ValueError("no address of a page")
    if parts.port == 0 or any(letter.isspace() or not letter.isprintable() for letter in text):  # .port raises, too
        raise ValueError("no address of a page")
    return text.rstrip("/")


Page = Annotated[
    str,
    AfterValidator(_page),
    Field(max_length=200, description='the address of its own pages such as "https://north.example:8460"'),
]


class OrganisationForm(BaseModel):
    model_config = STRICT
    name: Title
    zone: str = Field(min_length=1, description='a name from the IANA time zone list, such as "America/New_York"')
    languages: Languages = ["en", "es"]


class OrgMqttForm(BrokerForm):
    """The broker that all gateways publish to."""

    root: Topic | None = Field(None, description='what all prefixes begin with, such as "loosebox"')
    prefixes: (
        Annotated[list[Topic], *once_each('prefixes such as "loosebox/north"'), Field(max_length=MOST_LISTED)] | None
    ) = Field(None, description='a list of prefixes such as ["loosebox/north"], each once')


class OrgSeriesForm(BaseModel):
    """A store that answers PromQL at URL/api/v1/query_range. The token stands alone in a file of mode 0600."""

    model_config = STRICT
    url: Base
    token_file: File
    ca_file: File | None = Field(None, description="a path; left out: the certificates that the system trusts")


class OrgBarnForm(BaseModel):
    """A barn that must be there. Without a word from it, it is shown as lost."""

    model_config = STRICT
    prefix: Topic
    name: Title | None = Field(None, description="1 to 40 letters on one line; left out: as its gateway says")
    page: Page | None = Field(None, description='the address of its own pages such as "https://north.example:8460"')


class OrgForm(BaseModel):
    model_config = STRICT
    organisation: OrganisationForm = Field(description="a table [organisation]")
    mqtt: OrgMqttForm = Field(description="a table [mqtt]")
    series: OrgSeriesForm | None = Field(None, description="a table [series]")
    barns: list[OrgBarnForm] = Field([], max_length=MOST_LISTED, description="tables [[barns]]")
    web: WebForm = Field(WebForm.model_validate({}), description="a table [web]")


def _zone(document: Document) -> Iterator[Problem]:
    if not (zone := text_of(document.table("organisation"), "zone")):
        return
    try:
        ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: the name of a folder, as "America"
        guess = did_you_mean(nearest(zone, available_timezones()))
        text = f"found {shown(zone)};{guess} allowed: {OrganisationForm.model_fields['zone'].description}"
        yield ("organisation", "zone"), text


def _root_or_list(document: Document) -> Iterator[Problem]:
    mqtt = document.table("mqtt")
    if mqtt and ("root" in mqtt) == ("prefixes" in mqtt):
        what = "found both root and prefixes" if "root" in mqtt else "missing"
        yield ("mqtt", "root"), f"{what}; allowed: root or prefixes, one of the two"


def _password(document: Document) -> Iterator[Problem]:
    mqtt = document.table("mqtt")
    if "password_file" in mqtt and "user" not in mqtt:
        yield ("mqtt", "password_file"), "found without user; allowed: both, or neither"


def _barns(document: Document) -> Iterator[Problem]:
    mqtt = document.table("mqtt")
    seen: dict[str, int] = {}
    for i, row in document.rows("barns"):
        prefix = text_of(row, "prefix")
        if not prefix:
            continue
        if prefix in seen:
            text = f"found {shown(prefix)}, taken by barns[{seen[prefix]}]; allowed: one not in use"
            yield ("barns", i, "prefix"), text
        seen.setdefault(prefix, i)
        if not is_heard(prefix, mqtt.get("root"), mqtt.get("prefixes")):
            yield ("barns", i, "prefix"), f"found {shown(prefix)}, which is not listened to; allowed: {_allowed(mqtt)}"


def is_heard(prefix: str, root: Any, prefixes: Any) -> bool:
    """Whether a prefix is one of those that are listened to; true while nobody can tell."""
    if isinstance(root, str):
        head, _, name = prefix.rpartition("/")
        return head == root.rstrip("/") and bool(name)
    return prefix in prefixes if isinstance(prefixes, list) else True


def _allowed(mqtt: dict[str, Any]) -> str:
    root = mqtt.get("root")
    return f"{shown(root)}, a slash and one name" if isinstance(root, str) else "one of [mqtt] prefixes"


ORG_CHECKS = (_zone, _root_or_list, _password, _barns, web_checks)
