"""Signing in elsewhere: OpenID Connect's authorization code flow, with PKCE and a nonce.

Streamlit has a sign-in of its own by the same library. It is not used: it keeps who is signed in
in a signed cookie for thirty days, which nothing can end before, so that a copy kept from before
signing out would still open the pages. Here the provider is asked once, and a session of ours
begins, that ends as all others do.
"""

from __future__ import annotations

import json
import secrets
import time
import tomllib
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, NamedTuple
from urllib.parse import urlsplit

import requests
from authlib.common.errors import AuthlibBaseError
from authlib.integrations.requests_client import OAuth2Session
from joserfc import jwt
from joserfc.errors import JoseError
from joserfc.jwk import KeySet
from pydantic import BaseModel, ConfigDict, StringConstraints, ValidationError

from dashboard.access import sessions
from dashboard.access.book import refuse_open_to_others, window
from dashboard.access.people import openid_path
from ingest.errors import AccessError

#: Signatures that are taken: those of a key that the provider keeps to itself.
ALGORITHMS = ("RS256", "PS256", "ES256")
BACK_PATH = "/access/openid/back"
#: How long somebody may take at the provider. [s]
_PATIENCE_S = 600
#: How far the provider's clock may be off. [s]
_LEEWAY_S = 60
#: How long the provider may take to answer. [s]
_TIMEOUT_S = 10
#: How long the provider's addresses are believed; its keys are fetched anew each time. [s]
_BELIEVED_S = 3600
#: A larger answer is none of a provider. [bytes]
_MOST_BYTES = 1_000_000

Filled = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=2000)]


class Settings(BaseModel):
    """The file ``access/openid.toml`` in the data folder.

    Parameters
    ----------
    issuer : str
        The provider, as it calls itself: an address that begins with https.
    client_id, client_secret : str
        What the provider knows Gritbook by.
    address : str
        Where browsers reach the pages, without a path: the provider sends them back there.
    called : str
        What the provider is called on the button.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)

    issuer: Filled
    client_id: Filled
    client_secret: Filled
    address: Filled
    called: Filled = "the firm's account"


class Vouched(NamedTuple):
    """Whom the provider vouches for.

    Parameters
    ----------
    email, subject : str
        The checked e-mail; issuer and subject, which together are one person for good.
    back_to : str
        Path that they wanted.
    """

    email: str
    subject: str
    back_to: str


class SetOut(NamedTuple):
    """Where to send a browser, and the value of the cookie that it comes back with."""

    address: str
    token: str


def settings(data: Path) -> Settings | None:
    """The settings; ``None``: nobody signs in elsewhere.

    Raises
    ------
    AccessError
        Others may read the file, or it says what cannot be.
    """
    path = openid_path(data)
    if not path.exists():
        return None
    refuse_open_to_others(path, "The identity provider's file")
    try:
        found = Settings.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))
    except ValidationError as error:
        # Only which keys, never what stands in them: one is a secret.
        keys = sorted({".".join(str(part) for part in fault["loc"]) for fault in error.errors()})
        raise AccessError(
            f"The identity provider's file {path} has faults at: {', '.join(keys)}.",
            "It takes issuer, client_id, client_secret, address and called, all texts.",
        ) from error
    except (OSError, ValueError) as error:
        raise AccessError(
            f"The identity provider's file {path} cannot be read as TOML.",
            'Write each line as key = "value".',
        ) from error
    for key in ("issuer", "address"):
        parts = urlsplit(getattr(found, key))
        is_here = parts.hostname in ("127.0.0.1", "localhost", "::1")
        if parts.scheme != "https" and not (parts.scheme == "http" and is_here):
            raise AccessError(
                f"{key} in {path} must begin with https.",
                "What is proved in the clear is proved to everybody who listens.",
            )
    return found


def set_out(data: Path, chosen: Settings, back_to: str) -> SetOut:
    """Prepare to send a browser to the provider.

    Raises
    ------
    AccessError
        The provider does not answer, or not as one.
    """
    metadata = _metadata(chosen)
    token, nonce, verifier = (secrets.token_urlsafe(48) for _ in range(3))
    with _client(chosen) as client:
        address, state = client.create_authorization_url(
            metadata["authorization_endpoint"], nonce=nonce, code_verifier=verifier
        )
    now = time.time_ns() // 1000
    with window(data, write=True, make=True) as con:
        con.execute("DELETE FROM openid_try WHERE begun_us < ?", [now - _PATIENCE_S * 1_000_000])
        con.execute(
            "INSERT INTO openid_try VALUES (?, ?, ?, ?, ?, ?)",
            [sessions.token_hash(token), state, nonce, verifier, back_to, now],
        )
    return SetOut(address, token)


def come_back(data: Path, chosen: Settings, token: str, state: str, code: str) -> Vouched:
    """Whom the provider vouches for, once a browser has come back from it.

    Parameters
    ----------
    token : str
        The cookie of the browser, from :func:`set_out`; it holds for one way back.
    state, code : str
        What the provider sent with it.

    Raises
    ------
    AccessError
        That browser did not set out, took too long, or came back before; the provider's answer is
        not for it, or it vouches for no checked e-mail.
    """
    now = time.time_ns() // 1000
    with window(data, write=True) as con:
        row = con.execute(
            "DELETE FROM openid_try WHERE token_hash = ? "
            "RETURNING state, nonce, verifier, back_to, begun_us",
            [sessions.token_hash(token)],
        ).fetchall()
    if not row or row[0][4] < now - _PATIENCE_S * 1_000_000 or not code:
        raise AccessError(
            "This way back from the identity provider was used, is over, or belongs to another "
            "browser.",
            "Begin again.",
        )
    ((expected, nonce, verifier, back_to, _),) = row
    if not secrets.compare_digest(expected.encode(), state.encode()):
        raise AccessError("The identity provider's answer is not for this browser.", "Begin again.")
    metadata = _metadata(chosen)
    try:
        with _client(chosen) as client:
            answer = client.fetch_token(
                metadata["token_endpoint"], code=code, code_verifier=verifier
            )
        claims = _claims(
            answer["id_token"], chosen, nonce, KeySet.import_key_set(_fetched(metadata["jwks_uri"]))
        )
    except (AuthlibBaseError, JoseError, requests.RequestException, KeyError, ValueError) as error:
        # What exactly is for the log of the computer; whoever is at the browser cannot mend it.
        raise AccessError(
            f"The identity provider's answer does not hold ({type(error).__name__}).",
            "Begin again; if it stays so, the owner looks at access/openid.toml and both clocks.",
        ) from error
    email = claims.get("email")
    if not isinstance(email, str) or claims.get("email_verified") is not True:
        raise AccessError(
            "The identity provider does not vouch for an e-mail address of yours.",
            "Have it checked there, or ask the owner for a password.",
        )
    return Vouched(email, f"{claims['iss']} {claims['sub']}", back_to)


def _claims(id_token: str, chosen: Settings, nonce: str, keys: KeySet) -> dict[str, Any]:
    """What an ID token says, once signature and claims hold (OpenID Connect Core 1.0, 3.1.3.7)."""
    claims = jwt.decode(id_token, keys, algorithms=list(ALGORITHMS)).claims
    jwt.JWTClaimsRegistry(
        leeway=_LEEWAY_S,
        iss={"essential": True, "value": chosen.issuer},
        aud={"essential": True, "value": chosen.client_id},
        sub={"essential": True},
        exp={"essential": True},
        iat={"essential": True},
        nonce={"essential": True, "value": nonce},
    ).validate(claims)
    audience = claims["aud"]
    several = isinstance(audience, list) and len(audience) > 1
    if (several or "azp" in claims) and claims.get("azp") != chosen.client_id:
        raise ValueError("made for another program")
    return dict(claims)


def _client(chosen: Settings) -> OAuth2Session:
    return OAuth2Session(
        chosen.client_id,
        chosen.client_secret,
        scope="openid email",
        redirect_uri=chosen.address.rstrip("/") + BACK_PATH,
        code_challenge_method="S256",
        default_timeout=_TIMEOUT_S,
    )


def _metadata(chosen: Settings) -> dict[str, Any]:
    return _metadata_of(chosen.issuer, int(time.monotonic() // _BELIEVED_S))


@lru_cache(maxsize=4)
def _metadata_of(issuer: str, hour: int) -> dict[str, Any]:
    """The provider's own description (OpenID Connect Discovery 1.0, 4)."""
    try:
        found = _fetched(issuer.rstrip("/") + "/.well-known/openid-configuration")
    except (requests.RequestException, ValueError) as error:
        raise AccessError(
            f"The identity provider {issuer} cannot be reached, or is none.",
            "Look at issuer in access/openid.toml, and at the network.",
        ) from error
    # 4.3: else somebody could stand in for it.
    if found.get("issuer") != issuer:
        raise AccessError(
            f"The identity provider {issuer} calls itself otherwise.",
            "Write issuer in access/openid.toml exactly as the provider does.",
        )
    for key in ("authorization_endpoint", "token_endpoint", "jwks_uri"):
        if not isinstance(found.get(key), str):
            raise AccessError(f"The identity provider {issuer} does not say its {key}.")
    return found


def _fetched(address: str) -> dict[str, Any]:
    with requests.get(address, timeout=_TIMEOUT_S, stream=True, allow_redirects=False) as answer:
        answer.raise_for_status()
        body = answer.raw.read(_MOST_BYTES + 1, decode_content=True)
    if len(body) > _MOST_BYTES:
        raise ValueError("too large")
    found = json.loads(body)
    if not isinstance(found, dict):
        raise ValueError("no object")
    return found
