"""Who may come in and with what proof: passwords, certificates, and what a refusal means.

A password stands in an environment variable or in a file that only its owner can read; never in
the yard file, never in the log. TLS always checks the broker's name against its certificate.
"""

from __future__ import annotations

import os
import re
import ssl
import stat
from collections import Counter
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from ingest.errors import YardFileError

#: A longer password is a mistake in the file. [bytes]
_MOST_SECRET_BYTES = 4096
_OTHERS_MAY_READ = stat.S_IRWXG | stat.S_IRWXO


class Refusal(NamedTuple):
    """Why a connection did not come about.

    Parameters
    ----------
    kind : str
        A word to count by: ``certificate``, ``password``, ``not allowed``, ``unreachable``,
        ``other``.
    what, next_step : str
        A sentence, and what to do.
    """

    kind: str
    what: str
    next_step: str


def secret_from_environment(name: str, key: str) -> str:
    """A secret from the environment variable that the yard file names under ``key``.

    Raises
    ------
    YardFileError
        The variable is not set.
    """
    if name not in os.environ:
        raise YardFileError(
            f"{key} names the environment variable {name}, which is not set.",
            "Set it for the user that runs Gritbook.",
        )
    return os.environ[name]


def secret_from_file(path: Path, key: str) -> str:
    """A secret from a file that nobody but its owner can read.

    Parameters
    ----------
    path : Path
        One line of text.
    key : str
        The yard file's key that names it, for the sentence.

    Raises
    ------
    YardFileError
        It is not there, empty, or others than its owner may read it.
    """
    try:
        refuse_readable_by_others(path, key)
        raw = path.read_bytes()[: _MOST_SECRET_BYTES + 1]
    except OSError as error:
        raise YardFileError(
            f"{key} names the file {path}, which cannot be read: {error.strerror}.",
            "Write the password into it, for the user that runs Gritbook alone.",
        ) from error
    try:
        text = raw.decode().rstrip("\r\n")
    except UnicodeDecodeError as error:
        raise YardFileError(
            f"{key} names the file {path}, which is not UTF-8 text.", "Save it as plain text."
        ) from error
    if not text or "\n" in text or len(raw) > _MOST_SECRET_BYTES:
        raise YardFileError(
            f"{key} names the file {path}, which does not hold one line with a password.",
            "Write the password into it, on one line.",
        )
    return text


def refuse_readable_by_others(path: Path, key: str) -> None:
    """Raise where others than the owner may read a file with a secret; POSIX can tell.

    What the service manager hands over in its own folder for credentials is guarded by that folder.

    Raises
    ------
    YardFileError
        They may.
    OSError
        It is not there.
    """
    if os.name != "posix":
        return
    handed_over = os.environ.get("CREDENTIALS_DIRECTORY")
    if handed_over and path.resolve().is_relative_to(Path(handed_over).resolve()):
        return
    mode = path.stat().st_mode
    if mode & _OTHERS_MAY_READ:
        raise YardFileError(
            f"{key} names the file {path}, which others than its owner may use "
            f"(mode {stat.S_IMODE(mode):03o}).",
            f"Run `chmod 600 {path}`, and give it to the user that runs Gritbook.",
        )


def tls_context(
    ca_file: str, cert_file: str = "", key_file: str = "", key_password: str | None = None
) -> ssl.SSLContext:
    """What a connection over TLS is checked with and shown.

    Parameters
    ----------
    ca_file : str
        Certificates of the authority that signed the broker's; empty: the system's own.
    cert_file, key_file : str
        Certificate and key to show the broker; empty: none. Without ``key_file`` the key stands in
        ``cert_file``.
    key_password : str or None
        What the key is locked with.

    Raises
    ------
    YardFileError
        A file is missing, not what it should be, or readable by others.
    """
    try:
        context = ssl.create_default_context(cafile=ca_file or None)
    except ssl.SSLError as error:
        raise YardFileError(
            f"mqtt.tls.ca_file names {ca_file}, which holds no certificate in PEM form.",
            "Copy the authority's certificate there (a text that begins with -----BEGIN).",
        ) from error
    except OSError as error:
        raise YardFileError(
            f"mqtt.tls.ca_file names {ca_file}, which cannot be read: {error.strerror}.",
            "Copy the authority's certificate there.",
        ) from error
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if not cert_file:
        return context
    key = key_file or cert_file
    key_name = "mqtt.tls.key_file" if key_file else "mqtt.tls.cert_file"
    try:
        refuse_readable_by_others(Path(key), key_name)
        # Given a password even where there is none, for else OpenSSL asks at the terminal.
        context.load_cert_chain(cert_file, key, password=key_password or "")
    except ssl.SSLError as error:
        raise YardFileError(
            f"The certificate {cert_file} and the key {key} cannot be used: {_ssl_words(error)}.",
            "They must be a pair in PEM form; a locked key needs mqtt.tls.key_password_env.",
        ) from error
    except OSError as error:
        raise YardFileError(
            f"The certificate {cert_file} or the key {key} cannot be read: {error.strerror}.",
            "Look at mqtt.tls in the yard file, and at the files' permissions.",
        ) from error
    return context


def refusal(error: OSError | ValueError | str, place: str) -> Refusal:
    """Say in a sentence why a broker could not be used.

    Parameters
    ----------
    error : OSError, ValueError or str
        What connecting or the first reading raised, or what paho noted of it.
    place : str
        ``host:port``.

    Examples
    --------
    >>> refusal("[SSL: TLSV1_ALERT_UNKNOWN_CA] tlsv1 alert unknown ca", "broker:8883").kind
    'certificate'
    >>> refusal(ConnectionRefusedError(111, "Connection refused"), "broker:1883").kind
    'unreachable'
    """
    text = str(error)
    if isinstance(error, ssl.SSLCertVerificationError):
        words = error.verify_message or _ssl_words(error)
        return Refusal(
            "certificate",
            f"The broker {place} shows a certificate that is not accepted: {words}.",
            _certificate_step(words),
        )
    if "alert" in text.lower() or "CERTIFICATE" in text:
        return Refusal(
            "certificate",
            f"The broker {place} does not accept our certificate: {_alert_words(text)}.",
            "Look at mqtt.tls.cert_file: it must be signed by an authority that the broker knows, "
            "and be in its dates.",
        )
    if "EOF occurred" in text:
        return Refusal(
            "certificate",
            f"The broker {place} ended the secured connection at once, without a reason.",
            "It wants a certificate that it knows (mqtt.tls.cert_file), or does not speak TLS on "
            "that port (8883 is usual).",
        )
    if isinstance(error, ssl.SSLError) or "SSL" in text:
        return Refusal(
            "certificate",
            f"The broker {place} does not speak TLS there: {_ssl_words(error)}.",
            "Look at mqtt.port (8883 is usual with TLS), or leave [mqtt.tls] out.",
        )
    words = getattr(error, "strerror", None) or text
    return Refusal(
        "unreachable",
        f"The broker {place} cannot be reached: {words}.",
        "Check that it runs, and mqtt.host and mqtt.port in the yard file.",
    )


_LOG_KINDS = (
    # What mosquitto 2 writes; the lines that name a client have it in the first group.
    ("certificate", re.compile(r"OpenSSL Error\[0\]: (?P<who>.*)|(?:bad|no peer) certificate")),
    ("password", re.compile(r"Client (?P<who>\S+) disconnected, not authorised")),
    ("password", re.compile(r"Client (?P<who>\S+) .*(?:bad user|bad password)", re.IGNORECASE)),
    ("foreign topic", re.compile(r"Denied PUBLISH from (?P<who>\S+)")),
    ("dropped", re.compile(r"Outgoing messages are being dropped for client (?P<who>\S+?)\.?$")),
)


def refused_by_broker(lines: Iterable[str]) -> Counter[tuple[str, str]]:
    """Count what a mosquitto refused, from its log.

    Parameters
    ----------
    lines : iterable of str
        Lines of the log.

    Returns
    -------
    Counter
        By kind (``certificate``, ``password``, ``foreign topic``, ``dropped``) and client, or what
        the log says in its place.

    Examples
    --------
    >>> log = ["17: Denied PUBLISH from box-1 (d0, q1, r0, m1, 'g/y/pot-2/readings', 9 bytes)"]
    >>> refused_by_broker(log)
    Counter({('foreign topic', 'box-1'): 1})
    """
    found: Counter[tuple[str, str]] = Counter()
    for line in lines:
        for kind, pattern in _LOG_KINDS:
            if match := pattern.search(line.rstrip()):
                found[kind, (match["who"] or "").strip()] += 1
                break
    return found


def _ssl_words(error: Exception | str) -> str:
    """What OpenSSL says, without its codes and the line of its source.

    >>> _ssl_words("[SSL: WRONG_VERSION_NUMBER] wrong version number (_ssl.c:1006)")
    'wrong version number'
    """
    text = error if isinstance(error, str) else (getattr(error, "reason", None) or str(error))
    text = re.sub(r"\s*\(_ssl\.c:\d+\)", "", text)
    text = re.sub(r"\[[^\]]*\]\s*", "", text)
    return text.replace("_", " ").lower().strip() or "no reason given"


def _alert_words(text: str) -> str:
    words = re.search(r"alert ([a-z ]+)", text.lower())
    return words[1].strip() if words else _ssl_words(text)


def _certificate_step(words: str) -> str:
    if "expired" in words or "not yet valid" in words:
        return "Renew the broker's certificate; look at this computer's clock as well."
    if "match" in words or "mismatch" in words:
        return "mqtt.host must be the name or address that the broker's certificate is made for."
    return (
        "mqtt.tls.ca_file must hold the certificate of the authority that signed the broker's; "
        "if it does, somebody else answers in the broker's place."
    )
