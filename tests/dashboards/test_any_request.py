"""Any request at all over the OpenAPI document: the API answers with what the document says, and never breaks inside.

How it works: schemathesis (an independent reading of the OpenAPI 3.1 specification) makes requests that fit the
document and requests that do not, sends them to a real server, and compares each answer with the document: status,
media type, form of the body. A key with the right to take kit by hand goes with each; what core would say is a
stand-in.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
import schemathesis
from hypothesis import HealthCheck, settings
from schemathesis.checks import not_a_server_error
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from dashboards.app import Outside, create_app
from dashboards.door import Access
from dashboards.live import Live
from gateway.app.people import PeopleFile
from tests.dashboards.made_past import MadePast

if TYPE_CHECKING:
    from tests.dashboards.conftest import Barns, Wall

CHECKS = [not_a_server_error, status_code_conformance, content_type_conformance, response_schema_conformance]
EXAMPLES = 25  # of each operation
CLOSED = Access(open_to_read=False)


async def _nobody(_: Any) -> dict[str, Any]:
    return {}


def document() -> dict[str, Any]:
    """As /api/v1/openapi.json serves it."""
    people = PeopleFile(Path("/nowhere/people.json"))
    made: dict[str, Any] = create_app(
        Live(lambda: 0.0), Outside(clock=lambda: 0.0, people=people, access=CLOSED, ask=_nobody)
    ).openapi()
    return made


schema = schemathesis.openapi.from_dict(document())


@pytest.fixture(scope="module")
def people(tmp_path_factory: pytest.TempPathFactory) -> PeopleFile:
    return PeopleFile(tmp_path_factory.mktemp("any") / "people.json")


@pytest.fixture(scope="module")
def key(people: PeopleFile) -> str:
    return people.add_key("any machine", "hand")


@pytest.fixture(scope="module")
def served(open_wall: Any, barns: type[Barns], people: PeopleFile) -> Iterator[Wall]:
    opened: AbstractContextManager[Wall] = open_wall(people=people, access=CLOSED, past=MadePast())
    with opened as wall:
        wall.publish(barns.risky())
        yield wall


@schema.parametrize()
@settings(max_examples=EXAMPLES, suppress_health_check=list(HealthCheck))
def test_any_request_is_answered_as_the_document_says(case: Any, served: Wall, key: str) -> None:
    answer = case.call(base_url=served.url, headers={"Authorization": f"Bearer {key}"}, timeout=20)
    case.validate_response(answer, checks=CHECKS)
