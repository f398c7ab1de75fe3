"""The shipped broker configuration, really started: who is let in, who is not, and what is said."""

from __future__ import annotations

import datetime as dt
import ipaddress
import json
import os
import socket
import ssl
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from importlib import resources
from pathlib import Path
from typing import Any

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from ingest import checks
from ingest.access import refused_by_broker, secret_from_file, tls_context
from ingest.config import parse_yard
from ingest.errors import YardFileError
from ingest.health import read_health
from ingest.store.connection import read_window
from ingest.wire import reasons

NOW = dt.datetime.now(dt.UTC)
PASSWORDS = {"gritbook-ingest": "Ingest-5ecret", "pot-1": "One-5ecret", "pot-2": "Two-5ecret"}


class Authority:
    """An authority that signs certificates into a folder."""

    def __init__(self, folder: Path, name: str) -> None:
        self.folder = folder
        self._key = ec.generate_private_key(ec.SECP256R1())
        self._name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        self.file = folder / f"{name}.crt"
        certificate = self._builder(self._name, self._key, 3650).add_extension(
            x509.BasicConstraints(ca=True, path_length=None), critical=True
        )
        self.file.write_bytes(_pem(certificate.sign(self._key, hashes.SHA256())))

    def sign(self, name: str, days: float = 30, address: str | None = None) -> tuple[Path, Path]:
        """A certificate and its key, as files."""
        key = ec.generate_private_key(ec.SECP256R1())
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
        builder = self._builder(subject, key, days)
        if address is not None:
            named = x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address(address))])
            builder = builder.add_extension(named, critical=False)
        certificate_file = self.folder / f"{name}.crt"
        key_file = self.folder / f"{name}.key"
        certificate_file.write_bytes(_pem(builder.sign(self._key, hashes.SHA256())))
        key_file.write_bytes(
            key.private_bytes(
                serialization.Encoding.PEM,
                serialization.PrivateFormat.PKCS8,
                serialization.NoEncryption(),
            )
        )
        key_file.chmod(0o600)
        return certificate_file, key_file

    def _builder(self, subject: x509.Name, key: Any, days: float) -> x509.CertificateBuilder:
        return (
            x509.CertificateBuilder()
            .subject_name(subject)
            .issuer_name(self._name)
            .public_key(key.public_key())
            .serial_number(x509.random_serial_number())
            .not_valid_before(NOW - dt.timedelta(days=400))
            .not_valid_after(NOW + dt.timedelta(days=days))
        )


def _pem(certificate: x509.Certificate) -> bytes:
    return certificate.public_bytes(serialization.Encoding.PEM)


class Certificates:
    """All that the tests show each other."""

    def __init__(self, folder: Path) -> None:
        self.authority = Authority(folder, "authority")
        self.foreign = Authority(folder, "foreign")
        self.broker = self.authority.sign("broker", days=20, address="127.0.0.1")
        self.lasting = self.authority.sign("lasting", days=300, address="127.0.0.1")
        self.outdated = self.authority.sign("outdated", days=-2, address="127.0.0.1")
        self.elsewhere = self.authority.sign("elsewhere", address="192.0.2.9")
        self.ours = self.authority.sign("ours")
        self.stranger = self.foreign.sign("stranger")


@pytest.fixture(scope="module")
def certificates(tmp_path_factory: pytest.TempPathFactory) -> Certificates:
    return Certificates(tmp_path_factory.mktemp("certificates"))


class SecureBroker:
    """A mosquitto with the shipped files; only paths and the port are put in."""

    def __init__(self, folder: Path, certificates: Certificates, program: str, port: int) -> None:
        self.folder, self.port, self._program = folder, port, program
        self._authority = certificates.authority.file
        self.log = folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None
        passwords = folder / "passwords"
        passwords.touch(mode=0o600)
        for user, password in PASSWORDS.items():
            subprocess.run(
                ["mosquitto_passwd", "-b", str(passwords), user, password],
                check=True, capture_output=True,
            )  # fmt: skip
        shipped = resources.files("ingest").joinpath("mosquitto")
        acl = shipped.joinpath("gritbook.acl").read_text()
        (folder / "acl").write_text(acl.replace("gritbook/my-yard/", "g/yard/"))
        (folder / "acl").chmod(0o600)

    def start(self, pair: tuple[Path, Path], client_certificates: bool = False) -> None:
        """Start it with a certificate, and wait until it listens."""
        text = resources.files("ingest").joinpath("mosquitto", "mosquitto.conf").read_text()
        for shipped, ours in (
            ("listener 8883", f"listener {self.port} 127.0.0.1"),
            ("/etc/mosquitto/certs/ca.crt", str(self._authority)),
            ("/etc/mosquitto/certs/broker.crt", str(pair[0])),
            ("/etc/mosquitto/certs/broker.key", str(pair[1])),
            ("/etc/mosquitto/gritbook.passwords", str(self.folder / "passwords")),
            ("/etc/mosquitto/gritbook.acl", str(self.folder / "acl")),
            ("/var/lib/mosquitto/", f"{self.folder}/"),
            ("/var/log/mosquitto/mosquitto.log", str(self.log)),
        ):
            assert shipped in text, shipped
            text = text.replace(shipped, ours)
        if client_certificates:
            assert "\nrequire_certificate false\n" in text
            text = text.replace("\nrequire_certificate false\n", "\nrequire_certificate true\n")
        configuration = self.folder / "mosquitto.conf"
        # Started as root it would become a user who cannot read these folders.
        configuration.write_text(text + ("\nuser root\n" if os.geteuid() == 0 else ""))
        self._process = subprocess.Popen(
            [self._program, "-c", str(configuration)], stderr=subprocess.DEVNULL
        )
        give_up_at = time.monotonic() + 60
        while True:
            assert self._process.poll() is None, "the shipped configuration is not accepted"
            assert time.monotonic() < give_up_at, "the broker does not start"
            try:
                socket.create_connection(("127.0.0.1", self.port), 1).close()
                return
            except OSError:
                time.sleep(0.05)

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(60)
            self._process = None
            self.log.unlink(missing_ok=True)


@pytest.fixture
def secure(
    tmp_path: Path, certificates: Certificates, broker_program: str, free: Callable[[], int]
) -> Iterator[SecureBroker]:
    folder = tmp_path / "broker"
    folder.mkdir()
    running = SecureBroker(folder, certificates, broker_program, free())
    yield running
    running.stop()


def yard_lines(
    secure: SecureBroker, certificates: Certificates, ca: Path | None = None, **more: str
) -> str:
    tls = {"ca_file": str(ca or certificates.authority.file)}
    tls |= {key: more.pop(key) for key in ("cert_file", "key_file") if key in more}
    mqtt = {"username": "gritbook-ingest", "password_env": "YARD_PASSWORD", **more}
    return (
        f'[mqtt]\nhost = "127.0.0.1"\nport = {secure.port}\nroot = "g"\n'
        + "".join(f'{key} = "{value}"\n' for key, value in mqtt.items())
        + "[mqtt.tls]\n"
        + "".join(f'{key} = "{value}"\n' for key, value in tls.items())
    )


def facts(ingest: Any) -> dict[str, Any]:
    found = read_health(ingest.data) or {}
    ours = ingest.process is not None and found.get("pid") == ingest.process.pid
    return found if ours else {}


def trouble(ingest: Any) -> str:
    return str(facts(ingest).get("trouble", {}).get("mqtt", ""))


class BoxSends:
    """A box over TLS; what the broker answered it."""

    def __init__(
        self,
        secure: SecureBroker,
        certificates: Certificates,
        user: str,
        password: str,
        pair: tuple[Path, Path] | None = None,
    ) -> None:
        self.connected: int | None = None
        self._answered = threading.Event()
        self._published: dict[int, int] = {}
        self._client = Client(CallbackAPIVersion.VERSION2, protocol=MQTTProtocolVersion.MQTTv5)
        self._client.username_pw_set(user, password)
        shown = [str(path) for path in pair] if pair else []
        self._client.tls_set_context(tls_context(str(certificates.authority.file), *shown))
        self._client.on_connect = lambda c, u, f, reason, p: self._on_connect(reason.value)
        self._client.on_publish = lambda c, u, mid, reason, p: self._published.update(
            {mid: reason.value}
        )
        # With TLS 1.3 a refused certificate ends the connection where an answer is waited for.
        self._client.on_disconnect = lambda *_: self._answered.set()
        self._client.connect("127.0.0.1", secure.port)
        self._client.loop_start()
        self._answered.wait(60)

    def _on_connect(self, code: int) -> None:
        self.connected = code
        self._answered.set()

    def send(self, topic: str, name: str, value: float) -> int:
        """Publish, and give the reason code of the acknowledgement."""
        sent = self._client.publish(topic, json.dumps([{"n": name, "u": "Pa", "v": value}]), qos=1)
        give_up_at = time.monotonic() + 60
        while sent.mid not in self._published:
            assert time.monotonic() < give_up_at, "the broker does not answer"
            time.sleep(0.01)
        return self._published[sent.mid]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def test_ingest_and_boxes_over_tls_and_what_is_refused(
    secure: SecureBroker,
    certificates: Certificates,
    start_ingest: Callable[[str], Any],
    wait_until: Callable[..., None],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    secure.start(certificates.broker, client_certificates=True)
    monkeypatch.setenv("YARD_PASSWORD", "Wrong-5ecret")
    cert, key = certificates.ours
    ours = {"cert_file": str(cert), "key_file": str(key), "broker_log": str(secure.log)}
    ingest = start_ingest(yard_lines(secure, certificates, **ours))
    # The wrong password: refused, said, counted, and the secret itself is nowhere.
    wait_until(lambda: "refuses the user gritbook-ingest" in trouble(ingest), what="refused")
    assert "Check mqtt.username and the password" in trouble(ingest)
    wait_until(lambda: facts(ingest)["sources"]["mqtt"]["refused"]["password"] >= 2, what="counted")
    ingest.stop()

    monkeypatch.setenv("YARD_PASSWORD", PASSWORDS["gritbook-ingest"])
    ingest.start()
    wait_until(lambda: facts(ingest).get("sources", {})["mqtt"]["state"] == "connected"
               if facts(ingest) else False, what="connected")  # fmt: skip
    assert trouble(ingest) == ""

    one = BoxSends(secure, certificates, "pot-1", PASSWORDS["pot-1"], certificates.ours)
    assert one.connected == 0
    assert one.send("g/yard/pot-1/readings", "pot-1/pot", 650_000) == 0
    # A foreign topic: the broker refuses it. A foreign name in its own topic: quarantine does.
    assert one.send("g/yard/pot-2/readings", "pot-2/pot", 111) == 135
    assert one.send("g/yard/pot-1/readings", "pot-2/pot", 222) == 0
    one.close()
    liar = BoxSends(secure, certificates, "pot-2", "Guess-5ecret", certificates.ours)
    assert liar.connected in (134, 135)
    liar.close()
    with pytest.raises((ssl.SSLError, ConnectionError, AssertionError)):
        nobody = BoxSends(secure, certificates, "pot-2", PASSWORDS["pot-2"])
        assert nobody.connected == 0
    with pytest.raises((ssl.SSLError, ConnectionError, AssertionError)):
        stranger = BoxSends(
            secure, certificates, "pot-2", PASSWORDS["pot-2"], certificates.stranger
        )
        assert stranger.connected == 0

    def stored() -> tuple[list[Any], list[Any]]:
        with read_window(ingest.data) as con:
            return (
                con.execute("SELECT pot, pot_pa FROM sample JOIN pot USING (pot_id)").fetchall(),
                con.execute("SELECT reason, detail FROM quarantine").fetchall(),
            )

    wait_until(lambda: facts(ingest)["quarantined"] == 1, what="in quarantine")
    assert ingest.stop() == 0
    assert stored() == (
        [("pot-1", 650_000.0)], [(reasons.POT_OF_OTHER_TOPIC, "pot-2: 1 reading")],
    )  # fmt: skip
    # What the broker refused is counted from its log, by who it was.
    refused = refused_by_broker(secure.log.read_text().splitlines())
    by_kind: dict[str, int] = {}
    for (kind, _), count in refused.items():
        by_kind[kind] = by_kind.get(kind, 0) + count
    assert by_kind["foreign topic"] == 1
    assert by_kind["password"] >= 3
    assert by_kind["certificate"] >= 2
    # Secrets are never logged, nor in any file that ingest writes.
    for path in [ingest.log, *ingest.data.rglob("*"), secure.log]:
        if path.is_file():
            assert b"-5ecret" not in path.read_bytes(), path


@pytest.mark.parametrize(
    ("pair", "ca", "said", "step"),
    [
        ("outdated", "authority", "expired", "Renew the broker's certificate"),
        ("elsewhere", "authority", "mismatch|not valid for", "mqtt.host must be the name"),
        ("broker", "foreign", "unable to get local issuer|self.signed", "somebody else answers"),
    ],
)
def test_a_broker_that_cannot_prove_itself_is_refused(
    secure: SecureBroker, certificates: Certificates, monkeypatch: pytest.MonkeyPatch,
    pair: str, ca: str, said: str, step: str,
) -> None:  # fmt: skip
    monkeypatch.setenv("YARD_PASSWORD", PASSWORDS["gritbook-ingest"])
    secure.start(getattr(certificates, pair))
    lines = yard_lines(secure, certificates, ca=getattr(certificates, ca).file)
    text = f'[site]\nname = "yard"\ntime_zone = "UTC"\n{lines}'
    yard = parse_yard(text + '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.2\nplate_pa = 862000\n')
    source = _source(yard)
    with pytest.raises(Exception, match=said) as caught:
        source.run(_inbox(), threading.Event())
    assert step in str(caught.value)
    assert source.refused == {"certificate": 1}
    (finding,) = [f for f in checks.check_broker(yard, burst=False) if f.status == "fail"]
    assert step in finding.next_step


def _source(yard: Any) -> Any:
    from dashboard.commands.ingest import sources_of

    (source,) = sources_of(yard)
    return source


def _inbox() -> Any:
    from ingest.sources.inbox import Inbox

    return Inbox()


def test_our_own_certificate_is_refused_and_said(
    secure: SecureBroker, certificates: Certificates, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("YARD_PASSWORD", PASSWORDS["gritbook-ingest"])
    secure.start(certificates.broker, client_certificates=True)
    cert, key = certificates.stranger
    for more in ({}, {"cert_file": str(cert), "key_file": str(key)}):
        lines = yard_lines(secure, certificates, **more)
        text = f'[site]\nname = "yard"\ntime_zone = "UTC"\n{lines}'
        yard = parse_yard(text + '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.2\nplate_pa = 862000\n')
        source = _source(yard)
        with pytest.raises(Exception, match=r"does not accept our|ended the secured") as caught:
            source.run(_inbox(), threading.Event())
        assert "mqtt.tls.cert_file" in str(caught.value)
        assert source.refused == {"certificate": 1}


@pytest.mark.parametrize(("pair", "status"), [("broker", "warn"), ("lasting", "ok")])
def test_a_certificate_that_ends_soon_is_told_of_in_time(
    secure: SecureBroker, certificates: Certificates, monkeypatch: pytest.MonkeyPatch,
    pair: str, status: str,
) -> None:  # fmt: skip
    monkeypatch.setenv("YARD_PASSWORD", PASSWORDS["gritbook-ingest"])
    secure.start(getattr(certificates, pair))
    text = f'[site]\nname = "yard"\ntime_zone = "UTC"\n{yard_lines(secure, certificates)}'
    yard = parse_yard(text + '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.2\nplate_pa = 862000\n')
    let_in, certificate, queue = checks.check_broker(yard, burst=True)
    assert (let_in.status, certificate.status) == ("ok", status)
    assert ("Renew it" in certificate.next_step) == (status == "warn")
    # The shipped access list lets `gritbook check` try the queue, and the queue keeps everything.
    assert (queue.subject, queue.status) == ("broker queue", "ok")


# --- secrets in files -------------------------------------------------------------------------


@pytest.mark.skipif(os.name != "posix", reason="permissions are POSIX's")
@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660, 0o622])
def test_a_password_file_that_others_may_use_is_refused(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "password"
    path.write_text("Secret-1\n")
    path.chmod(0o600)
    assert secret_from_file(path, "mqtt.password_file") == "Secret-1"
    path.chmod(mode)
    with pytest.raises(YardFileError, match=rf"mode {mode:03o}\).*chmod 600") as caught:
        secret_from_file(path, "mqtt.password_file")
    assert "Secret-1" not in str(caught.value)


@pytest.mark.skipif(os.name != "posix", reason="permissions are POSIX's")
def test_what_the_service_manager_hands_over_is_taken(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "handed" / "password"
    path.parent.mkdir()
    path.write_text("Secret-1")
    path.chmod(0o440)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(path.parent))
    assert secret_from_file(path, "mqtt.password_file") == "Secret-1"
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(tmp_path / "other"))
    with pytest.raises(YardFileError, match="mode 440"):
        secret_from_file(path, "mqtt.password_file")


@pytest.mark.parametrize("content", [b"", b"\n", b"one\ntwo\n", b"x" * 5000, b"\xff\xfe"])
def test_a_password_file_that_holds_no_password(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "password"
    path.write_bytes(content)
    path.chmod(0o600)
    with pytest.raises(YardFileError, match=r"one line|UTF-8"):
        secret_from_file(path, "mqtt.password_file")
    with pytest.raises(YardFileError, match="cannot be read"):
        secret_from_file(tmp_path / "none", "mqtt.password_file")


def test_files_for_tls_that_cannot_be_used(tmp_path: Path, certificates: Certificates) -> None:
    cert, key = certificates.ours
    ca = str(certificates.authority.file)
    with pytest.raises(YardFileError, match=r"ca_file names .* cannot be read"):
        tls_context(str(tmp_path / "none"))
    (tmp_path / "text").write_text("not a certificate")
    with pytest.raises(YardFileError, match="holds no certificate in PEM form"):
        tls_context(str(tmp_path / "text"))
    with pytest.raises(YardFileError, match=r"cannot be used.*must be a pair"):
        tls_context(ca, str(cert), str(certificates.broker[1]))
    with pytest.raises(YardFileError, match="cannot be read"):
        tls_context(ca, str(cert), str(tmp_path / "none"))
    if os.name == "posix":
        copy = tmp_path / "key"
        copy.write_bytes(key.read_bytes())
        copy.chmod(0o644)
        with pytest.raises(YardFileError, match=r"key_file names the file .*mode 644"):
            tls_context(ca, str(cert), str(copy))


def test_workers_share_under_the_shipped_access_list(
    secure: SecureBroker,
    certificates: Certificates,
    monkeypatch: pytest.MonkeyPatch,
    wait_until: Callable[..., None],
) -> None:
    from dashboard.commands.ingest import shared_sources_of

    monkeypatch.setenv("YARD_PASSWORD", PASSWORDS["gritbook-ingest"])
    secure.start(certificates.broker)
    text = f'[site]\nname = "yard"\ntime_zone = "UTC"\n{yard_lines(secure, certificates)}'
    yard = parse_yard(text + '[[pot]]\nname = "pot-1"\nvolume_m3 = 0.2\nplate_pa = 862000\n')
    stop, inboxes, threads, sources = threading.Event(), [], [], []
    for name in ("east", "west"):
        (source,) = shared_sources_of(yard, name)
        inbox = _inbox()
        thread = threading.Thread(target=source.run, args=(inbox, stop))
        thread.start()
        inboxes.append(inbox)
        threads.append(thread)
        sources.append(source)
    try:
        wait_until(lambda: all(s.state == "connected" for s in sources), what="connected")
        box = BoxSends(secure, certificates, "pot-1", PASSWORDS["pot-1"])
        for value in range(10):
            assert box.send("g/yard/pot-1/readings", "pot-1/pot", value) == 0
        box.close()
        heard: list[list[float]] = [[], []]

        def all_heard() -> bool:
            for inbox, values in zip(inboxes, heard, strict=True):
                deliveries = inbox.take(0.05)
                values.extend(json.loads(d.message.payload)[0]["v"] for d in deliveries)
                for source in sources:
                    own = [d.token for d in deliveries if d.source is source]
                    if own:
                        source.acknowledge(own)
            return len(heard[0]) + len(heard[1]) >= 10

        wait_until(all_heard, what="all heard")
    finally:
        stop.set()
        for thread in threads:
            thread.join()
    # Each message to one of them, and each of them some.
    assert sorted(heard[0] + heard[1]) == list(range(10))
    assert heard[0] and heard[1]
