"""Random requests by the published description of the addresses: none may end in a server error."""

from __future__ import annotations

from typing import Any

import pytest

pytest.importorskip("schemathesis")

import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from tests.review_app.conftest import COOKIE, HOST
from voiceover import Breakdown
from voiceover.review_app.security import Gate
from voiceover.review_app.server import make_app
from voiceover.store.library import Library

EXAMPLES = 25
# A full disk is no fault of the server's.
FULL = 507


def test_no_request_ends_in_a_server_error(library: Library, demo: Breakdown, gate: Gate) -> None:
    headers = {"cookie": f"{COOKIE}={gate.session}", "origin": f"http://{HOST}", "host": HOST}
    schema = schemathesis.openapi.from_asgi("/api/openapi.json", make_app(library, gate), headers=headers)
    breakdown_id = library.add_breakdown(demo)
    tried = 0
    for result in schema.get_all_operations():
        operation = result.ok()

        @given(case=operation.as_strategy(), real=st.booleans())
        @settings(max_examples=EXAMPLES, deadline=None, database=None, suppress_health_check=list(HealthCheck), phases=[Phase.generate])
        def call(case: Any, real: bool) -> None:
            if real and "breakdown_id" in (case.path_parameters or {}):
                case.path_parameters["breakdown_id"] = breakdown_id
            response = case.call(headers=headers)
            assert response.status_code < 500 or response.status_code == FULL, (case.method, case.path, response.text[:300])

        call()
        tried += 1
    assert tried >= 20
