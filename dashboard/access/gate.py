"""The gate in front of the pages: every request and every connection passes it, or gets nothing.

It stands before Streamlit, whose pages, uploads, downloads and connections are all behind it. Where
nobody has to sign in, it lets in this computer only, and nothing that was handed on by a proxy or
meant for another name.
"""

from __future__ import annotations

import datetime as dt
import ipaddress
import re
import sys
from collections.abc import Awaitable, Callable, Iterable, MutableMapping
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

import streamlit
from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import HTTPConnection, Request
from starlette.responses import (
    FileResponse,
    HTMLResponse,
    PlainTextResponse,
    RedirectResponse,
    Response,
)
from starlette.routing import BaseRoute, Route

from dashboard import time_words
from dashboard.access import door, door_page, openid, people, sessions
from dashboard.access.session import COOKIE, ME_PATH, SECURE_COOKIE, SIGN_IN_PATH, data_here
from ingest.config import load_yard
from ingest.errors import AccessError, GritbookError

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

#: Open to everybody: it says "ok" and nothing else, to whoever watches over the service.
_OPEN_PATHS = ("/_stcore/health",)
_DOOR = "/access/"
#: Cookie of a browser that is on its way to the identity provider and back.
_ON_THE_WAY = "gritbook-on-the-way"
_MOST_FORM_BYTES = 8192
#: A path of ours to go to afterwards; never another host's.
_PATH = re.compile(r"/(?![/\\])[A-Za-z0-9_/-]*(\?[A-Za-z0-9_=&%.:+~-]*)?")
_HANDED_ON = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-real-ip", "via")
_ALWAYS_SENT = {
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "x-frame-options": "SAMEORIGIN",
}


class Gate:
    """ASGI middleware that lets through what may come in.

    Parameters
    ----------
    app : callable
        The application behind it.
    """

    def __init__(self, app: App) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on, or refuse: a browser is shown the way in, anything else gets a status."""
        if scope["type"] not in ("http", "websocket"):
            await self._app(scope, receive, send)
            return
        try:
            answer = await run_in_threadpool(_refusal, scope)
        except AccessError as error:
            answer = _unusable(error)
        if answer is None:
            await self._app(scope, receive, _with_headers(send))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 1008})
        else:
            await answer(scope, receive, _with_headers(send))


def routes() -> list[BaseRoute]:
    """Where browsers sign in and out."""
    return [
        Route(door_page.LETTERS_PATH, _letters, methods=["GET"]),
        Route(SIGN_IN_PATH, _show_sign_in, methods=["GET"]),
        Route(SIGN_IN_PATH, _sign_in, methods=["POST"]),
        Route(ME_PATH, _show_me, methods=["GET"]),
        Route("/access/sign-out", _sign_out, methods=["POST"]),
        Route("/access/password", _change_password, methods=["POST"]),
        Route("/access/openid", _set_out, methods=["GET"]),
        Route(openid.BACK_PATH, _come_back, methods=["GET"]),
    ]


# --- who may pass ----------------------------------------------------------------------------


def _refusal(scope: Scope) -> Response | None:
    """Why a request does not pass; ``None``: it does."""
    headers = Headers(scope=scope)
    path = scope.get("path", "")
    if path in _OPEN_PATHS:
        return None
    if _is_foreign(scope, headers):
        return PlainTextResponse("Another site's page asked for this.", 403)
    data = data_here()
    if not people.must_sign_in(data):
        return _refusal_of_strangers(scope, headers)
    if path.startswith(_DOOR) or sessions.find(data, _token_of(HTTPConnection(scope))) is not None:
        return None
    if scope["type"] == "http" and scope["method"] in ("GET", "HEAD") and "text/html" in (
        headers.get("accept", "")
    ):  # fmt: skip
        asked = path + (f"?{query}" if (query := scope["query_string"].decode("latin-1")) else "")
        return RedirectResponse(f"{SIGN_IN_PATH}?to={quote(_own_path(asked), safe='')}", 303)
    return PlainTextResponse("Sign in first.", 401)


def _is_foreign(scope: Scope, headers: Headers) -> bool:
    """Whether a page of another origin opens a connection or changes something.

    Streamlit would take what comes from any port of this computer, and to know its own addresses it
    would ask a service elsewhere.
    """
    if "origin" not in headers or scope.get("method") in ("GET", "HEAD", "OPTIONS"):
        return False
    return urlsplit(headers["origin"]).netloc != headers.get("host")


def _refusal_of_strangers(scope: Scope, headers: Headers) -> Response | None:
    """Where nobody signs in, only this computer comes in, by its own name, and directly."""
    client = scope.get("client")
    here = client is not None and _is_loopback(client[0])
    # A page elsewhere can have its own name point to this computer; it cannot change this header.
    named = urlsplit(f"//{headers.get('host', '')}").hostname or ""
    direct = not any(name in headers for name in _HANDED_ON)
    if here and direct and (named == "localhost" or _is_loopback(named)):
        return None
    return _html(
        door_page.refused(
            "Sign-in is not set up",
            "Without sign-in these pages are for this computer only.",
            "Add people with `gritbook people add` where Gritbook runs; then everybody signs in.",
        ),
        403,
    )


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def _with_headers(send: Send) -> Send:
    async def sending(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in _ALWAYS_SENT.items():
                headers.setdefault(name, value)
        await send(message)

    return sending


# --- the doors -------------------------------------------------------------------------------


def _letters(request: Request) -> Response:
    folder = Path(streamlit.__file__).parent / "static" / "static" / "media"
    found = sorted(folder.glob("SourceSansVF-Upright*.woff2"))
    if not found:
        return Response(status_code=404)  # the browser takes the system's own
    return FileResponse(found[0], headers={"cache-control": "max-age=86400"})


def _show_sign_in(request: Request) -> Response:
    data = data_here()
    back_to = _own_path(request.query_params.get("to", "/"))
    if not people.must_sign_in(data) or sessions.find(data, _token_of(request)):
        return RedirectResponse(back_to, 303)
    return _sign_in_page(data, back_to)


async def _sign_in(request: Request) -> Response:
    form = await _form(request)
    if form is None:
        return _foreign()
    return await run_in_threadpool(_try_sign_in, request, form)


def _try_sign_in(request: Request, form: dict[str, str]) -> Response:
    data = data_here()
    back_to = _own_path(form.get("to", "/"))
    try:
        if not people.must_sign_in(data):
            return RedirectResponse(back_to, 303)
        name, password = form.get("name", ""), form.get("password", "")
        outcome = door.sign_in(data, name, password, _address(request))
    except AccessError as error:
        return _unusable(error)
    if outcome.token:
        return _let_in(request, outcome.token, back_to)
    if outcome.wait_s:
        return _sign_in_page(data, back_to, *_wait_words(outcome.wait_s), status=429)
    return _sign_in_page(
        data, back_to, "Name and password do not belong together.",
        "Look at what you typed. The owner can set a new password.", status=401,
    )  # fmt: skip


async def _sign_out(request: Request) -> Response:
    form = await _form(request)
    if form is None:
        return _foreign()
    try:
        await run_in_threadpool(
            door.sign_out, data_here(), _token_of(request), _address(request), "everywhere" in form
        )
    except AccessError as error:
        return _unusable(error)
    answer = RedirectResponse(SIGN_IN_PATH, 303)
    answer.delete_cookie(_cookie_name(request), path="/", secure=_is_secure(request))
    return answer


def _show_me(request: Request) -> Response:
    return _me_page(request)


async def _change_password(request: Request) -> Response:
    form = await _form(request)
    if form is None:
        return _foreign()
    return await run_in_threadpool(_try_change, request, form)


def _try_change(request: Request, form: dict[str, str]) -> Response:
    old, new = form.get("old", ""), form.get("new", "")
    try:
        outcome = door.change_password(data_here(), _token_of(request), old, new, _address(request))
    except GritbookError as error:
        return _me_page(request, str(error), "alarm", 400)
    if outcome.wait_s:
        return _me_page(request, " ".join(_wait_words(outcome.wait_s)), "alarm", 429)
    if not outcome.token:
        return _me_page(request, "That is not your password so far. Nothing changed.", "alarm", 401)
    return _let_in(request, outcome.token, ME_PATH)


def _set_out(request: Request) -> Response:
    data = data_here()
    back_to = _own_path(request.query_params.get("to", "/"))
    try:
        chosen = openid.settings(data)
        if chosen is None:
            return RedirectResponse(SIGN_IN_PATH, 303)
        way = openid.set_out(data, chosen, back_to)
    except AccessError as error:
        return _unusable(error)
    answer = RedirectResponse(way.address, 303)
    answer.set_cookie(
        _ON_THE_WAY, way.token, max_age=600, path=openid.BACK_PATH, httponly=True,
        samesite="lax", secure=_is_secure(request),
    )  # fmt: skip
    return answer


def _come_back(request: Request) -> Response:
    data = data_here()
    asked = request.query_params
    try:
        chosen = openid.settings(data)
        if chosen is None:
            return RedirectResponse(SIGN_IN_PATH, 303)
        vouched = openid.come_back(
            data, chosen, request.cookies.get(_ON_THE_WAY, ""),
            asked.get("state", ""), asked.get("code", ""),
        )  # fmt: skip
        outcome = door.sign_in_elsewhere(data, vouched.email, vouched.subject, _address(request))
    except AccessError as error:
        _say(error)
        return _sign_in_page(data, "/", error.what, error.next_step, status=401)
    if not outcome.token:
        return _sign_in_page(
            data, "/", "The identity provider knows you, but nobody was added here with that "
            "e-mail address.", "Ask the owner to add you.", status=403,
        )  # fmt: skip
    answer = _let_in(request, outcome.token, vouched.back_to)
    answer.delete_cookie(_ON_THE_WAY, path=openid.BACK_PATH)
    return answer


# --- in between ------------------------------------------------------------------------------


def _let_in(request: Request, token: str, back_to: str) -> Response:
    # A browser follows no redirect to what was typed: the path is one of ours.
    answer = RedirectResponse(back_to, 303, headers={"cache-control": "no-store"})
    answer.set_cookie(
        _cookie_name(request), token, max_age=sessions.LONGEST_S, path="/", httponly=True,
        samesite="lax", secure=_is_secure(request),
    )  # fmt: skip
    return answer


def _sign_in_page(
    data: Path, back_to: str, said: str = "", step: str = "", status: int = 200
) -> Response:
    try:
        chosen = openid.settings(data)
        has_local = any(account.has_password for account in people.everybody(data))
    except AccessError as error:
        return _unusable(error)
    called = chosen.called if chosen else None
    return _html(door_page.sign_in(back_to, said, step, called, has_local), status)


def _me_page(
    request: Request, said: str = "", kind: str = "plain", status: int = 200
) -> Response:  # fmt: skip
    data = data_here()
    try:
        found = sessions.find(data, _token_of(request))
        mine = [a for a in people.everybody(data) if found and a.name == found.name]
    except AccessError as error:
        return _unusable(error)
    if found is None:
        return RedirectResponse(f"{SIGN_IN_PATH}?to={quote(ME_PATH, safe='')}", 303)
    begun = dt.datetime.fromtimestamp(found.begun_us / 1e6, dt.UTC)
    ends = begun + dt.timedelta(seconds=sessions.LONGEST_S)
    return _html(
        door_page.me(
            found.name, found.role, _clock(begun), _clock(ends), mine[0].has_password, said, kind
        ),
        status,
    )


def _clock(at: dt.datetime) -> str:
    """An instant on the site's clock; where the yard file cannot be read, in UTC."""
    from dashboard import data

    try:
        zone = load_yard(data.place().yard).site.zone
    except GritbookError:
        return f"{at:%Y-%m-%d %H:%M} UTC"
    return time_words.in_zone(at, zone).strftime("%Y-%m-%d %H:%M")


async def _form(request: Request) -> dict[str, str] | None:
    """The fields of a form of ours; ``None``: another site's page sent it, or it is too large.

    Browsers say with every form where it comes from (Fetch Standard, 3.2; Fetch Metadata), and no
    page can have them say otherwise.
    """
    origin = request.headers.get("origin", "")
    site = request.headers.get("sec-fetch-site", "same-origin")
    if urlsplit(origin).netloc != request.headers.get("host") or site != "same-origin":
        return None
    body = b""
    async for piece in request.stream():
        body += piece
        if len(body) > _MOST_FORM_BYTES:
            return None
    try:
        fields = parse_qs(body.decode(), keep_blank_values=True, max_num_fields=10)
    except ValueError:
        return None
    return {key: values[0] for key, values in fields.items()}


def _foreign() -> Response:
    return _html(
        door_page.refused(
            "Not taken", "This form came from another page, or is too large.", "Begin again."
        ),
        403,
    )


def _unusable(error: AccessError) -> Response:
    _say(error)
    return _html(
        door_page.refused(
            "Nobody comes in just now", "What says who may come in cannot be used.",
            "The owner sees why where `gritbook pages` runs.",
        ),
        503,
    )  # fmt: skip


def _say(error: AccessError) -> None:
    print(error, file=sys.stderr, flush=True)


def _html(text: str, status: int) -> HTMLResponse:
    return HTMLResponse(
        text,
        status,
        {"content-security-policy": door_page.POLICY, "cache-control": "no-store"},
    )


def _wait_words(wait_s: int) -> Iterable[str]:
    minutes = -(-wait_s // 60)
    wait = f"{wait_s} seconds" if wait_s <= 90 else f"{minutes} minutes"
    return "Too many wrong tries.", f"The next one is looked at in {wait}."


def _own_path(asked: str) -> str:
    """A path of ours, from what an address or a form asked for; else the first page.

    Examples
    --------
    >>> _own_path("/shift?pot=pot-1"), _own_path("//elsewhere.example/"), _own_path("javascript:1")
    ('/shift?pot=pot-1', '/', '/')
    """
    is_ours = _PATH.fullmatch(asked) and not asked.startswith((SIGN_IN_PATH, "/_stcore"))
    return asked if is_ours else "/"


def _address(request: Request) -> str:
    return request.client.host if request.client else "unknown"


def _is_secure(request: Request) -> bool:
    return request.url.scheme == "https"


def _cookie_name(request: Request) -> str:
    return SECURE_COOKIE if _is_secure(request) else COOKIE


def _token_of(connection: HTTPConnection) -> str:
    return connection.cookies.get(SECURE_COOKIE) or connection.cookies.get(COOKIE) or ""
