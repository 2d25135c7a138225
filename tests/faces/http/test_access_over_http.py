"""Who may read and who may change, asked of the real service."""

import httpx
import pytest
from starlette.requests import Request

from contactd.faces.http.access import COOKIE, CSRF_HEADER, MOST_FAILURES, Access, AccessRules
from contactd.faces.http.problems import Problem
from contactd.faces.tokens import Role, new_token

pytestmark = pytest.mark.process

REMARK = {"enter": "remark", "target": "Thistle", "text": "the night is quiet"}


@pytest.fixture
def browser(service):
    """A client with the cookies of its own."""
    with httpx.Client(base_url=service.base, timeout=20) as client:
        yield client


def signed_in(browser, token):
    answer = browser.post("/api/v1/session", json={"token": token})
    assert answer.status_code == 200, answer.text
    return answer.json()


def test_reading_from_the_machine_itself_needs_no_token(service):
    assert service.get("/now").status_code == 200


def test_changing_needs_a_token(service):
    answer = service.post("/records", REMARK)
    assert answer.status_code == 401
    assert answer.json()["code"] == "token-needed"
    assert answer.headers["WWW-Authenticate"] == "Bearer"


def test_a_viewer_cannot_change_anything(service):
    document = service.json("/openapi.json")
    paths = [
        path.removeprefix("/api/v1")
        for path, methods in document["paths"].items()
        if "post" in methods and not path.endswith(("/preview", "/session"))
    ]
    assert len(paths) >= 3
    for path in paths:
        answer = service.post(path.replace("{identity}", "x"), REMARK, service.room.viewer)
        if answer.status_code == 422:
            answer = service.post(
                path,
                {"target": "Orrery", "sequence": "crew start", "start": "2030-01-01T00:00:00Z"},
                service.room.viewer,
            )
        assert answer.status_code == 403, path
        assert answer.json()["code"] == "role-needed"


def test_an_operator_changes_under_the_name_of_the_token(service):
    written = service.operate("/records", REMARK)
    assert written["record"]["author"] == "m.aldous"
    assert service.json(f"/records/{written['record']['number']}") == written["record"]


def test_an_unknown_token_is_refused_even_for_reading(service):
    answer = service.http.get(
        "/api/v1/now", headers={"Authorization": "Bearer contactd_" + "x" * 43}
    )
    assert answer.status_code == 401


def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_sites(service, browser):
    answer = browser.post("/api/v1/session", json={"token": service.room.operator})
    cookie = answer.headers["set-cookie"].lower()
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert service.room.operator not in cookie


def test_a_session_changes_only_with_the_secret_that_the_page_knows(service, browser):
    session = signed_in(browser, service.room.operator)
    assert browser.post("/api/v1/records", json=REMARK).json()["code"] == "csrf"
    wrong = {CSRF_HEADER: session["csrf"][:-1] + "!"}
    assert browser.post("/api/v1/records", json=REMARK, headers=wrong).status_code == 403
    right = {CSRF_HEADER: session["csrf"]}
    assert browser.post("/api/v1/records", json=REMARK, headers=right).status_code == 201


def test_a_request_that_another_site_sent_is_refused_even_with_the_secret(service, browser):
    session = signed_in(browser, service.room.operator)
    headers = {CSRF_HEADER: session["csrf"], "Sec-Fetch-Site": "cross-site"}
    answer = browser.post("/api/v1/records", json=REMARK, headers=headers)
    assert answer.json()["code"] == "csrf"


def test_signing_out_ends_the_session(service, browser):
    session = signed_in(browser, service.room.operator)
    cookie = browser.cookies[COOKIE]
    assert browser.delete("/api/v1/session").status_code == 204
    with httpx.Client(base_url=service.base, cookies={COOKIE: cookie}) as thief:
        headers = {CSRF_HEADER: session["csrf"]}
        assert thief.post("/api/v1/records", json=REMARK, headers=headers).status_code == 401


def test_a_foreign_host_name_is_refused(service):
    answer = service.http.get("/api/v1/now", headers={"Host": "watch.example"})
    assert answer.status_code == 421
    assert answer.json()["code"] == "wrong-host"
    for name in ("localhost", "127.0.0.1", "[::1]"):
        assert service.http.get("/api/v1/now", headers={"Host": name}).status_code == 200


def test_secrets_and_their_hashes_are_in_no_log_metric_or_record(service):
    service.operate("/records", REMARK)
    seen = service.daemon.output() + service.http.get("/metrics").text
    seen += service.get("/records", limit=1000).text
    tokens = (service.room.config / "tokens").read_text()
    hashes = [line.rsplit(":", 1)[1] for line in tokens.splitlines()]
    for secret in (service.room.operator, service.room.viewer, *hashes):
        assert secret not in seen


def test_guessing_tokens_is_slowed_down():
    secret, token = new_token("m.aldous", Role.OPERATOR)
    time_s = [0.0]
    access = Access(lambda: AccessRules((token,)), lambda: time_s[0])
    request = Request(
        {
            "type": "http",
            "method": "POST",
            "path": "/",
            "headers": [(b"host", b"localhost")],
            "client": ("127.0.0.1", 1),
            "query_string": b"",
            "scheme": "http",
            "server": ("localhost", 80),
        }
    )
    codes = []
    for _ in range(MOST_FAILURES + 1):
        with pytest.raises(Problem) as refused:
            access.open(request, "guess")
        codes.append(refused.value.status)
    assert codes == [401] * MOST_FAILURES + [429]
    time_s[0] = 61.0
    assert access.open(request, secret)[1].operates


@pytest.mark.parametrize("address", ["203.0.113.9", "fe80::1", ""])
def test_reading_from_elsewhere_needs_a_token(address):
    secret, token = new_token("visitor", Role.VIEWER)
    access = Access(lambda: AccessRules((token,)))

    def request(*headers):
        return Request(
            {
                "type": "http",
                "method": "GET",
                "path": "/api/v1/now",
                "headers": [(b"host", b"127.0.0.1"), *headers],
                "client": (address, 1) if address else None,
                "query_string": b"",
                "scheme": "http",
                "server": ("127.0.0.1", 80),
            }
        )

    with pytest.raises(Problem) as refused:
        access.reader(request())
    assert refused.value.status == 401
    caller = access.reader(request((b"authorization", f"Bearer {secret}".encode())))
    assert caller.name == "visitor"
    assert not caller.operates
