"""The gate over real HTTP: who passes, what is answered, and signing in at an identity provider.

Behind the gate stands a page that answers to everything in one way: what is tested is whether it is
reached. The pages behind the gate are in ``test_access_browser.py``.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
import re
import socket
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

import pytest
import requests
import uvicorn
from argon2.profiles import CHEAPEST
from joserfc import jwt
from joserfc.jwk import RSAKey
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse
from starlette.routing import Route, WebSocketRoute
from starlette.websockets import WebSocket

from dashboard.access import audit, book, gate, openid, passwords, people, sessions
from dashboard.access.session import COOKIE, SECURE_COOKIE
from ingest.errors import AccessError

REACHED = "what is behind the gate"
PASSWORD = "four odd words together"
PAGE = {"accept": "text/html"}
CLIENT_ID, CLIENT_SECRET = "gritbook-test", "a secret of the test"


# --- a server with the gate ------------------------------------------------------------------


async def _inside(request: Request) -> PlainTextResponse:
    return PlainTextResponse(REACHED)


async def _inside_socket(socket: WebSocket) -> None:
    await socket.accept()
    await socket.send_text(REACHED)
    await socket.close()


@pytest.fixture(scope="module")
def address() -> Iterator[str]:
    app = Starlette(
        routes=[
            *gate.routes(),
            WebSocketRoute("/_stcore/stream", _inside_socket),
            Route("/{rest:path}", _inside, methods=["GET", "POST", "PUT", "DELETE"]),
        ],
        middleware=[Middleware(gate.Gate)],
    )
    with socket.socket() as listening:
        listening.bind(("127.0.0.1", 0))
        port = listening.getsockname()[1]
        server = uvicorn.Server(uvicorn.Config(app, log_level="warning"))
        thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
        thread.start()
        while not server.started:
            time.sleep(0.01)
        yield f"http://127.0.0.1:{port}"
        server.should_exit = True
        thread.join(60)


@pytest.fixture
def empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("GRITBOOK_DATA", str(tmp_path))
    monkeypatch.setattr(passwords, "_hasher", passwords.PasswordHasher.from_parameters(CHEAPEST))
    passwords._nobodys.cache_clear()
    return tmp_path


@pytest.fixture
def yard(empty: Path) -> Path:
    people.add(empty, "Owner One", "owner", PASSWORD)
    people.add(empty, "Elsewhere One", "supervisor", None, "one@example.org")
    return empty


def sign_in(
    browser: requests.Session, address: str, to: str = "/", **typed: str
) -> requests.Response:
    fields = {"name": "owner one", "password": PASSWORD, "to": to} | typed
    return browser.post(
        f"{address}/access/sign-in", fields, headers={"origin": address}, allow_redirects=False
    )


@pytest.fixture
def browser() -> Iterator[requests.Session]:
    with requests.Session() as opened:
        yield opened


# --- nobody was added ------------------------------------------------------------------------


def test_without_people_this_computer_comes_in_and_nothing_handed_on(
    empty: Path, address: str
) -> None:
    assert requests.get(address, headers=PAGE).text == REACHED
    port = urlsplit(address).port
    assert requests.get(address, headers={"host": f"localhost:{port}"}).text == REACHED
    for headers in (
        # Another site's name that was made to point to this computer; a proxy in front.
        {"host": f"elsewhere.example:{port}"}, {"host": "192.0.2.7"}, {"host": ""},
        {"x-forwarded-for": "192.0.2.7"}, {"forwarded": "for=192.0.2.7"},
        {"x-real-ip": "192.0.2.7"}, {"x-forwarded-for": "127.0.0.1"},
    ):  # fmt: skip
        answer = requests.get(address, headers=headers)
        assert answer.status_code == 403 and REACHED not in answer.text, headers
        assert "gritbook people add" in answer.text


def test_without_people_no_page_of_another_site_connects_or_uploads(
    empty: Path, address: str
) -> None:
    assert socket_answer(address) == 101
    assert socket_answer(address, origin="https://elsewhere.example") == 403
    answer = requests.put(f"{address}/_stcore/upload_file/a/b", headers={"origin": "null"})
    assert answer.status_code == 403 and REACHED not in answer.text


def test_beyond_this_computer_a_lost_access_book_opens_nothing(
    empty: Path, address: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(people.ALWAYS_VARIABLE, "always")
    assert requests.get(address, headers=PAGE).url.endswith("/access/sign-in?to=%2F")
    assert "Nobody was added yet" in requests.get(f"{address}/access/sign-in").text
    assert requests.get(f"{address}/media/x").status_code == 401


# --- signed in, and not ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("method", "path"),
    [("GET", "/media/0a.csv"), ("PUT", "/_stcore/upload_file/a/b"), ("GET", "/_stcore/host-config"),
     ("GET", "/static/index.js"), ("POST", "/anything"), ("GET", "/oauth2callback"),
     ("GET", "/accessories"), ("GET", "//access/sign-in"), ("GET", "/access/../media/x")],
)  # fmt: skip
def test_whoever_is_not_signed_in_gets_nothing(
    yard: Path, address: str, method: str, path: str
) -> None:
    answer = requests.request(method, address + path, allow_redirects=False)
    assert answer.status_code in (401, 404) and REACHED not in answer.text


def socket_answer(address: str, cookie: str = "", origin: str = "") -> int:
    """The status with which a WebSocket is answered (RFC 6455: 101 where it is opened)."""
    parts = urlsplit(address)
    key = base64.b64encode(bytes(16)).decode()
    with socket.create_connection((parts.hostname, parts.port), 10) as line:
        line.sendall(
            f"GET /_stcore/stream HTTP/1.1\r\nHost: {parts.netloc}\r\nUpgrade: websocket\r\n"
            f"Connection: Upgrade\r\nSec-WebSocket-Key: {key}\r\nSec-WebSocket-Version: 13\r\n"
            f"Origin: {origin or address}\r\nCookie: {COOKIE}={cookie}\r\n\r\n".encode()
        )
        return int(line.recv(200).split()[1])


def test_a_connection_is_refused_without_a_session(yard: Path, address: str) -> None:
    token = sessions.begin(yard, "Owner One", "192.0.2.7")
    assert socket_answer(address) == 403
    assert socket_answer(address, token[:-1]) == 403
    assert socket_answer(address, token) == 101
    # A page of another site, or of another program on this computer, with the browser's cookie.
    for foreign in ("https://elsewhere.example", "null", "http://127.0.0.1:1", "http://localhost"):
        assert socket_answer(address, token, foreign) == 403, foreign
    sessions.end(yard, token)
    assert socket_answer(address, token) == 403


def test_the_way_in_and_out(yard: Path, address: str, browser: requests.Session) -> None:
    first = browser.get(f"{address}/shift?pot=pot-1", headers=PAGE)
    assert first.url == f"{address}/access/sign-in?to={quote('/shift?pot=pot-1', safe='')}"
    assert 'value="/shift?pot=pot-1"' in first.text and "yard" not in first.text.lower()
    wrong = sign_in(browser, address, password="wrong")
    assert wrong.status_code == 401 and "set-cookie" not in wrong.headers
    unknown = sign_in(browser, address, name="nobody", password="wrong")
    assert unknown.status_code == 401 and unknown.text == wrong.text
    right = sign_in(browser, address, to="/shift?pot=pot-1")
    assert (right.status_code, right.headers["location"]) == (303, "/shift?pot=pot-1")
    cookie = right.headers["set-cookie"].lower()
    assert "httponly" in cookie and "samesite=lax" in cookie and "path=/" in cookie
    assert browser.get(f"{address}/media/x").text == REACHED
    me = browser.get(f"{address}/access/me").text
    assert "Signed in as Owner One" in me and "look after people" in me
    kept = browser.cookies[COOKIE]
    out = browser.post(
        f"{address}/access/sign-out", headers={"origin": address}, allow_redirects=False
    )
    assert out.headers["location"] == "/access/sign-in" and COOKIE not in browser.cookies
    # A copy of the cookie, kept from before.
    assert requests.get(f"{address}/media/x", cookies={COOKIE: kept}).status_code == 401


def test_behind_a_proxy_that_encrypts_the_cookie_is_for_encrypted_ways_only(
    yard: Path, address: str
) -> None:
    answer = requests.post(
        f"{address}/access/sign-in", {"name": "owner one", "password": PASSWORD},
        headers={"origin": address.replace("http", "https"), "x-forwarded-proto": "https",
                 "x-forwarded-for": "192.0.2.44"},
        allow_redirects=False,
    )  # fmt: skip
    cookie = answer.headers["set-cookie"]
    assert cookie.startswith(f"{SECURE_COOKIE}=") and "; secure" in cookie.lower()
    assert list(audit.lines(yard))[-1]["from"] == "192.0.2.44"


def test_a_form_of_another_site_is_not_taken(yard: Path, address: str) -> None:
    fields = {"name": "owner one", "password": PASSWORD}
    for headers in (
        {}, {"origin": "https://elsewhere.example"}, {"origin": "null"},
        {"origin": address, "sec-fetch-site": "cross-site"},
        {"origin": address, "sec-fetch-site": "same-site"},
    ):  # fmt: skip
        answer = requests.post(
            f"{address}/access/sign-in", fields, headers=headers, allow_redirects=False
        )
        assert answer.status_code == 403 and "set-cookie" not in answer.headers, headers
    big = {"name": "x" * 20_000, "password": PASSWORD}
    assert requests.post(
        f"{address}/access/sign-in", big, headers={"origin": address}
    ).status_code == 403  # fmt: skip


@pytest.mark.parametrize(
    "to",
    ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example", "javascript:x",
     "/\t/elsewhere.example", "/x\r\nset-cookie: a=b", "/access/sign-in", "", "elsewhere"],
)  # fmt: skip
def test_nobody_is_sent_to_another_site_from_here(
    yard: Path, address: str, browser: requests.Session, to: str
) -> None:
    assert sign_in(browser, address, to=to).headers["location"] == "/"
    assert browser.get(
        f"{address}/access/sign-in", params={"to": to}, allow_redirects=False
    ).headers["location"] == "/"  # fmt: skip


def test_what_is_typed_is_never_markup(yard: Path, address: str) -> None:
    people.add(yard, "<img src=x onerror=alert(1)>", "tender", PASSWORD)
    with requests.Session() as browser:
        sign_in(browser, address, name="<img src=x onerror=alert(1)>")
        me = browser.get(f"{address}/access/me")
    assert "<img" not in me.text and "&lt;img" in me.text
    policy = me.headers["content-security-policy"]
    assert "default-src 'none'" in policy and "unsafe-inline" not in policy
    assert me.headers["cache-control"] == "no-store"
    page = requests.get(f"{address}/access/sign-in", params={"to": '/"><script>alert(1)</script>'})
    assert "<script>alert" not in page.text


def test_guessing_is_locked_out_over_http(yard: Path, address: str) -> None:
    statuses = [
        sign_in(requests.Session(), address, password=f"guess {n}").status_code for n in range(7)
    ]
    assert statuses == [401] * 5 + [429] * 2
    answer = sign_in(requests.Session(), address)
    assert answer.status_code == 429 and "The next one is looked at in" in answer.text
    assert [line["what"] for line in audit.lines(yard)][2:] == ["wrong"] * 5 + ["locked out"]


def test_a_password_is_changed_by_who_knows_it(
    yard: Path, address: str, browser: requests.Session
) -> None:
    sign_in(browser, address)
    kept = browser.cookies[COOKIE]

    def change(old: str, new: str) -> requests.Response:
        return browser.post(
            f"{address}/access/password", {"old": old, "new": new}, headers={"origin": address},
            allow_redirects=False,
        )  # fmt: skip

    assert "not your password" in change("wrong", "brass kettle under snow").text
    assert "at least 15" in change(PASSWORD, "short").text
    assert change(PASSWORD, "brass kettle under snow").status_code == 303
    assert browser.get(f"{address}/x").text == REACHED
    assert requests.get(f"{address}/x", cookies={COOKIE: kept}).status_code == 401


def test_an_access_book_that_others_may_read_lets_nobody_in_and_says_no_more(
    yard: Path, address: str, capfd: pytest.CaptureFixture[str]
) -> None:
    token = sessions.begin(yard, "Owner One", "192.0.2.7")
    book.book_path(yard).chmod(0o644)
    answer = requests.get(address, cookies={COOKIE: token}, headers=PAGE)
    assert answer.status_code == 503 and str(yard) not in answer.text
    assert f"chmod 600 {book.book_path(yard)}" in capfd.readouterr().err
    assert requests.get(f"{address}/_stcore/health").text == REACHED


# --- signing in elsewhere --------------------------------------------------------------------


@dataclass
class Provider:
    """A little OpenID provider that says of whoever comes what the test wants."""

    issuer: str = ""
    claims: dict[str, Any] = field(default_factory=dict)
    key: RSAKey = field(
        default_factory=lambda: RSAKey.generate_key(2048, {"kid": "k1", "use": "sig"})
    )
    signer: RSAKey | None = None
    header: dict[str, Any] = field(default_factory=lambda: {"alg": "RS256", "kid": "k1"})
    nonce: str | None = None
    called_itself: str | None = None
    asked: dict[str, dict[str, str]] = field(default_factory=dict)

    def describe(self) -> dict[str, Any]:
        return {
            "issuer": self.called_itself or self.issuer,
            "authorization_endpoint": f"{self.issuer}/authorize",
            "token_endpoint": f"{self.issuer}/token",
            "jwks_uri": f"{self.issuer}/keys",
        }

    def token(self, form: dict[str, str], authorization: str) -> dict[str, Any] | None:
        """The answer of the token endpoint, or ``None``: the code, client or verifier is wrong."""
        asked = self.asked.pop(form.get("code", ""), None)
        basic = base64.b64encode(f"{CLIENT_ID}:{quote(CLIENT_SECRET)}".encode()).decode()
        plain = base64.b64encode(f"{CLIENT_ID}:{CLIENT_SECRET}".encode()).decode()
        verified = base64.urlsafe_b64encode(
            hashlib.sha256(form.get("code_verifier", "").encode()).digest()
        ).decode().rstrip("=")  # fmt: skip
        if (
            asked is None
            or authorization not in (f"Basic {basic}", f"Basic {plain}")
            or asked["code_challenge_method"] != "S256"
            or asked["code_challenge"] != verified  # RFC 7636, 4.6
            or form.get("redirect_uri") != asked["redirect_uri"]
        ):
            return None
        now = int(time.time())
        claims = {
            "iss": self.issuer, "aud": CLIENT_ID, "sub": "person-1", "iat": now, "exp": now + 300,
            "nonce": self.nonce or asked["nonce"], "email": "one@example.org",
            "email_verified": True,
        } | self.claims  # fmt: skip
        if self.header["alg"] == "HS256":
            signed = self.with_public_key_as_secret(claims)
        else:
            signed = jwt.encode(self.header, claims, self.signer or self.key, algorithms=["RS256"])
        return {"access_token": "x", "token_type": "Bearer", "id_token": signed}

    def with_public_key_as_secret(self, claims: dict[str, Any]) -> str:
        def part(value: bytes) -> str:
            return base64.urlsafe_b64encode(value).decode().rstrip("=")

        signed = ".".join(part(json.dumps(value).encode()) for value in (self.header, claims))
        secret = self.key.as_pem(private=False)
        return f"{signed}.{part(hmac.digest(secret, signed.encode(), 'sha256'))}"


def provider_server(provider: Provider) -> ThreadingHTTPServer:
    class Handler(BaseHTTPRequestHandler):
        def log_message(self, *_: object) -> None:
            pass

        def answer(self, found: dict[str, Any] | None) -> None:
            body = json.dumps(found if found is not None else {"error": "invalid_grant"}).encode()
            self.send_response(200 if found is not None else 400)
            self.send_header("content-type", "application/json")
            self.send_header("content-length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def do_GET(self) -> None:
            parts = urlsplit(self.path)
            if parts.path == "/.well-known/openid-configuration":
                self.answer(provider.describe())
            elif parts.path == "/keys":
                self.answer({"keys": [provider.key.as_dict(private=False)]})
            elif parts.path == "/authorize":
                asked = {k: v[0] for k, v in parse_qs(parts.query).items()}
                code = f"code-{len(provider.asked)}-{time.monotonic_ns()}"
                provider.asked[code] = asked
                self.send_response(302)
                back = f"{asked['redirect_uri']}?code={code}&state={asked['state']}"
                self.send_header("location", back)
                self.send_header("content-length", "0")
                self.end_headers()

        def do_POST(self) -> None:
            length = int(self.headers["content-length"])
            form = {k: v[0] for k, v in parse_qs(self.rfile.read(length).decode()).items()}
            self.answer(provider.token(form, self.headers.get("authorization", "")))

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    provider.issuer = f"http://127.0.0.1:{server.server_address[1]}"
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


@pytest.fixture
def provider(yard: Path, address: str) -> Iterator[Provider]:
    provider = Provider()
    server = provider_server(provider)
    openid._metadata_of.cache_clear()
    write_settings(yard, provider.issuer, address)
    yield provider
    server.shutdown()
    server.server_close()


def write_settings(yard: Path, issuer: str, address: str) -> None:
    path = people.openid_path(yard)
    path.write_text(
        f'issuer = "{issuer}"\nclient_id = "{CLIENT_ID}"\nclient_secret = "{CLIENT_SECRET}"\n'
        f'address = "{address}"\ncalled = "the test provider"\n',
        encoding="utf-8",
    )
    path.chmod(0o600)


def test_somebody_whom_the_provider_vouches_for_comes_in(
    provider: Provider, yard: Path, address: str, browser: requests.Session
) -> None:
    page = browser.get(f"{address}/upkeep", headers=PAGE).text
    (way,) = re.findall(r'href="(/access/openid\?to=[^"]+)"', page)
    assert "Sign in with the test provider" in page
    landed = browser.get(address + way)
    assert (landed.url, landed.text) == (f"{address}/upkeep", REACHED)
    found = sessions.find(yard, browser.cookies[COOKIE])
    assert found is not None and (found.name, found.role) == ("Elsewhere One", "supervisor")
    last = list(audit.lines(yard))[-1]
    assert (last["what"], last["how"]) == ("signed in", "identity provider")


def test_the_way_back_holds_once_and_for_one_browser(
    provider: Provider, address: str, browser: requests.Session
) -> None:
    out = browser.get(f"{address}/access/openid", allow_redirects=False)
    back = requests.get(out.headers["location"], allow_redirects=False).headers["location"]
    with requests.Session() as other:  # to whom somebody sends their own way back
        refused = other.get(back)
        assert refused.status_code == 401 and COOKIE not in other.cookies
    kept = dict(browser.cookies)
    assert browser.get(back, allow_redirects=False).status_code == 303
    with requests.Session() as again:
        again.cookies.update(kept)
        assert again.get(back).status_code == 401 and COOKIE not in again.cookies
    out = browser.get(f"{address}/access/openid", allow_redirects=False)
    back = requests.get(out.headers["location"], allow_redirects=False).headers["location"]
    assert browser.get(re.sub("state=[^&]*", "state=other", back)).status_code == 401


def _other_key() -> RSAKey:
    return RSAKey.generate_key(2048, {"kid": "k1"})


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"claims": {"email": "two@example.org"}}, 403),  # nobody here
        ({"claims": {"email_verified": False}}, 401),
        ({"claims": {"email_verified": "true"}}, 401),
        ({"claims": {"email": None}}, 401),
        ({"claims": {"iss": "https://elsewhere.example"}}, 401),
        ({"claims": {"aud": "another program"}}, 401),
        ({"claims": {"aud": [CLIENT_ID, "another"]}}, 401),  # and no azp
        ({"claims": {"azp": "another program"}}, 401),
        ({"claims": {"exp": 1_700_000_000}}, 401),
        ({"nonce": "another"}, 401),
        ({"signer": _other_key}, 401),
        # RFC 8725, 2.1: the public key taken as the secret of an HMAC.
        ({"header": {"alg": "HS256", "kid": "k1"}}, 401),
    ],
)  # fmt: skip
def test_what_the_provider_does_not_vouch_for_does_not_come_in(
    provider: Provider, yard: Path, address: str, browser: requests.Session,
    change: dict[str, Any], status: int,
) -> None:  # fmt: skip
    for name, value in change.items():
        setattr(provider, name, value() if callable(value) else value)
    landed = browser.get(f"{address}/access/openid")
    assert landed.status_code == status, landed.text[-600:]
    assert COOKIE not in browser.cookies
    assert "Begin again" in landed.text or "Ask the owner" in landed.text or (
        "vouch" in landed.text
    )  # fmt: skip


def test_an_address_given_to_another_person_is_not_theirs_here(
    provider: Provider, yard: Path, address: str
) -> None:
    """OpenID Connect Core 1.0, 5.7: only issuer and subject together name a person for good."""
    assert requests.Session().get(f"{address}/access/openid").text == REACHED
    provider.claims = {"sub": "person-2"}
    assert requests.Session().get(f"{address}/access/openid").status_code == 403
    provider.claims = {}
    assert requests.Session().get(f"{address}/access/openid").text == REACHED
    people.set_email(yard, "Elsewhere One", "one@example.org")  # rightly given on
    provider.claims = {"sub": "person-2"}
    assert requests.Session().get(f"{address}/access/openid").text == REACHED
    people.set_disabled(yard, "Elsewhere One", disabled=True)
    assert requests.Session().get(f"{address}/access/openid").status_code == 403


def test_a_provider_that_calls_itself_otherwise_is_not_asked(
    provider: Provider, address: str, capfd: pytest.CaptureFixture[str]
) -> None:
    provider.called_itself = "https://elsewhere.example"
    assert requests.get(f"{address}/access/openid").status_code == 503
    assert "calls itself otherwise" in capfd.readouterr().err


def test_the_settings_are_checked_and_never_told(yard: Path, address: str) -> None:
    path = people.openid_path(yard)
    write_settings(yard, "http://provider.example", address)
    with pytest.raises(AccessError, match=r"issuer in .* must begin with https"):
        openid.settings(yard)
    write_settings(yard, "https://provider.example", address)
    found = openid.settings(yard)
    assert found is not None and found.called == "the test provider"
    path.chmod(0o644)
    with pytest.raises(AccessError, match="mode 644"):
        openid.settings(yard)
    path.chmod(0o600)
    path.write_text(path.read_text() + 'extra = "x"\n')
    with pytest.raises(AccessError, match="faults at: extra") as caught:
        openid.settings(yard)
    assert CLIENT_SECRET not in str(caught.value)
    path.write_text(f"client_secret = {CLIENT_SECRET}")
    with pytest.raises(AccessError, match="cannot be read as TOML") as caught:
        openid.settings(yard)
    assert CLIENT_SECRET not in str(caught.value)
