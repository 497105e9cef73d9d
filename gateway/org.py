"""Owns: the organisation file, the one TOML file that describes many barns to the site board: what it becomes.

Must not know: brokers, stores, pages, a barn's site file.
How it works: as the site file: the form and the checks tell all problems at once, each with its line; a file without
problems becomes frozen parameters with every path absolute.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from gateway.org_form import ORG_CHECKS, OrgForm
from gateway.site import Broker, broker
from gateway.site_lines import checked, read
from gateway.site_web import WebAccess, access_lines, access_of

TABLE = "organisation"


@dataclass(frozen=True, slots=True, kw_only=True)
class OrgBarn:
    """A barn that must be there. `name` and `page` are empty when the file does not give them."""

    prefix: str
    name: str
    page: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OrgSeries:
    """The store to read from. `ca_file` is None when the certificates that the system trusts shall do."""

    url: str
    token_file: Path
    ca_file: Path | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Org:
    """A checked organisation file. Of `root` and `prefixes` one is empty. `broker.prefix` begins no topic of ours."""

    name: str
    zone: str
    languages: tuple[str, ...]
    broker: Broker
    root: str
    prefixes: tuple[str, ...]
    series: OrgSeries | None
    barns: tuple[OrgBarn, ...]
    web_listen: str
    web_port: int
    web: WebAccess
    path: Path


def is_org(path: Path) -> bool:
    """Whether a file describes an organisation, not a barn. Raises SiteError when it cannot be read."""
    return TABLE in read(path).data


def load_org(path: Path) -> Org:
    """The organisation of a file. Raises SiteError with every problem, each as one line."""
    return _org(checked(path, OrgForm, ORG_CHECKS), path.absolute())


def _org(form: OrgForm, path: Path) -> Org:
    folder, series = path.parent, form.series
    return Org(
        name=form.organisation.name,
        zone=form.organisation.zone,
        languages=tuple(form.organisation.languages),
        broker=broker(form.mqtt, folder),
        root=(form.mqtt.root or "").rstrip("/"),
        prefixes=tuple(form.mqtt.prefixes or ()),
        series=OrgSeries(
            url=series.url,
            token_file=folder / series.token_file,
            ca_file=folder / series.ca_file if series.ca_file else None,
        )
        if series
        else None,
        barns=tuple(OrgBarn(prefix=b.prefix, name=b.name or "", page=b.page or "") for b in form.barns),
        web_listen=form.web.listen,
        web_port=form.web.port,
        web=access_of(form.web, folder, path),
        path=path,
    )


def describe_org(org: Org) -> str:
    """What this file says, for the person who checks it."""
    heard = f"every gateway at {org.root}/NAME" if org.root else f"{len(org.prefixes)} gateways by their prefixes"
    broker = f"{org.broker.host}:{org.broker.port}, {'TLS' if org.broker.tls else 'not encrypted'}"
    lines = [
        f"{org.name}: time zone {org.zone}",
        f"Listens at the broker {broker} to {heard}, and publishes nothing there",
        f"Barns that must be there: {len(org.barns)}; one that is not heard is shown as lost",
        f"A day of each place comes from the store {org.series.url}" if org.series else "No store: no day of a place",
        f"Pages: address {org.web_listen}, port {org.web_port}",
        *access_lines(org.web),
    ]
    return "\n".join(lines)
