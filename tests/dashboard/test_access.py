"""Roles, people, passwords, sessions, lock-out and the log of what became of access."""

from __future__ import annotations

import concurrent.futures
import json
import os
import sqlite3
import ssl
import subprocess
import sys
import time
from pathlib import Path

import pytest
from argon2.low_level import Type, core, ffi
from argon2.profiles import CHEAPEST, RFC_9106_LOW_MEMORY
from typer.testing import CliRunner

from dashboard import serve
from dashboard.access import audit, book, door, passwords, people, roles, sessions, tries
from dashboard.cli import app
from ingest.errors import AccessError, NotAllowed
from ingest.record_bodies import BODIES

GOOD, OTHER = "four odd words together", "brass kettle under snow"
HERE = "192.0.2.7"  # an address for documentation: RFC 5737

YARD = """
[site]
name = "test-yard"
time_zone = "UTC"
[[pot]]
name = "pot-1"
volume_m3 = 0.184
plate_pa = 1_000_000
"""


@pytest.fixture(autouse=True)
def quick_hashes(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hashes that take a millisecond: what is tested here is not how hard they are."""
    monkeypatch.setattr(passwords, "_hasher", passwords.PasswordHasher.from_parameters(CHEAPEST))
    passwords._nobodys.cache_clear()


@pytest.fixture
def yard(tmp_path: Path) -> Path:
    """A data folder in which an owner and a tender may sign in."""
    people.add(tmp_path, "Owner One", "owner", GOOD)
    people.add(tmp_path, "Tender One", "tender", OTHER)
    return tmp_path


def noted(data: Path) -> list[tuple[str, str]]:
    return [(line["what"], line["name"]) for line in audit.lines(data)]


# --- roles -----------------------------------------------------------------------------------


def test_every_kind_of_record_takes_an_action_that_somebody_covers() -> None:
    assert set(roles.ENTERING) == set(BODIES)
    assert set(roles.ENTERING.values()) <= set(roles.ACTIONS)
    for action, covering in roles.ACTIONS.items():
        assert set(covering) <= set(roles.ROLE_WORDS) and "owner" in covering, action


def test_a_role_covers_what_the_table_says_and_nothing_else() -> None:
    assert roles.covers("tender", roles.entering("abrasive"))
    assert not roles.covers("tender", roles.entering("signature"))
    assert not roles.covers("maintainer", roles.entering("price"))
    assert roles.covers("maintainer", roles.entering("check"))
    assert not roles.covers("supervisor", "set up the yard")
    assert not roles.covers("", "look at the pages")
    with pytest.raises(KeyError):
        roles.covers("owner", "no such thing")
    with pytest.raises(NotAllowed, match="No role covers"):
        roles.entering("something new")


# --- passwords -------------------------------------------------------------------------------


def test_argon2id_gives_the_published_check_value() -> None:
    """RFC 9106, section 5.3: Argon2id with secret and associated data, tag of 32 bytes."""
    password, salt, secret, more = (
        ffi.new("uint8_t[]", bytes([byte]) * length)
        for byte, length in ((1, 32), (2, 16), (3, 8), (4, 12))
    )
    tag = ffi.new("uint8_t[]", 32)
    context = ffi.new(
        "argon2_context *",
        {
            "out": tag, "outlen": 32, "version": 0x13,
            "pwd": password, "pwdlen": 32, "salt": salt, "saltlen": 16,
            "secret": secret, "secretlen": 8, "ad": more, "adlen": 12,
            "t_cost": 3, "m_cost": 32, "lanes": 4, "threads": 4,
            "allocate_cbk": ffi.NULL, "free_cbk": ffi.NULL, "flags": 0,
        },
    )  # fmt: skip
    assert core(context, Type.ID.value) == 0
    assert bytes(ffi.buffer(tag, 32)).hex() == (
        "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"
    )


def test_passwords_are_hashed_as_rfc_9106_recommends(monkeypatch: pytest.MonkeyPatch) -> None:
    """Section 4's second recommended option: Argon2id, t = 3, p = 4, 64 MiB, 128-bit salt."""
    hasher = passwords.PasswordHasher.from_parameters(RFC_9106_LOW_MEMORY)
    monkeypatch.setattr(passwords, "_hasher", hasher)
    made = passwords.hashed(GOOD, "Owner One")
    _, kind, version, settings, salt, tag = made.split("$")
    assert (kind, version, settings) == ("argon2id", "v=19", "m=65536,t=3,p=4")
    assert len(salt) * 6 // 8 == 16 and len(tag) * 6 // 8 == 32
    assert passwords.fits(GOOD, made) and not passwords.fits(GOOD + " ", made)


def test_length_is_what_is_asked_of_a_password() -> None:
    # SP 800-63B-4, 3.1.1.2: 15 characters where it stands alone, at least 64 taken, no mixture.
    passwords.hashed("correct horses!"[:15], "x")
    passwords.hashed("quiet" + " brown fox jumps" * 10, "x")
    for short in ("", "short", "fourteen chars"):
        with pytest.raises(AccessError, match="at least 15"):
            passwords.hashed(short, "x")
    with pytest.raises(AccessError, match="more than 256"):
        passwords.hashed("ab cd ef gh " * 30, "x")


@pytest.mark.parametrize(
    "first",
    ["aaaaaaaaaaaaaaaaaa", "abababababababab", "abcdefghijklmnopqrs", "tender onetender one",
     "gritbookgritbook", "Password Password", "123456789012345678", "Tender One gritbook 123"],
)  # fmt: skip
def test_what_is_guessed_first_is_no_password(first: str) -> None:
    with pytest.raises(AccessError, match="guessed first"):
        passwords.hashed(first, "Tender One")


def test_one_password_typed_on_two_keyboards_is_one() -> None:
    made = passwords.hashed("cafe\u0301 behind the lime kiln", "x")  # e, then the accent
    assert passwords.fits("caf\u00e9 behind the lime kiln", made)


def test_no_hash_in_the_place_of_a_hash_is_said_and_lets_nobody_in() -> None:
    with pytest.raises(AccessError, match="is none"):
        passwords.fits(GOOD, GOOD)
    assert not passwords.fits(GOOD, None)


# --- people ----------------------------------------------------------------------------------


def test_two_people_never_differ_by_case_or_blanks_alone(yard: Path) -> None:
    with pytest.raises(AccessError, match="is there already"):
        people.add(yard, " tender  ONE", "owner", GOOD)
    account = people.with_password(yard, "TENDER one ", OTHER)
    assert account is not None and (account.name, account.role) == ("Tender One", "tender")


@pytest.mark.parametrize("name", ["", "  ", "a\nb", "x" * 81, "bell\x07"])
def test_a_name_is_a_line_that_can_be_read(yard: Path, name: str) -> None:
    if name == "a\nb":  # a line's end is a blank
        people.add(yard, name, "tender", GOOD)
        assert people.name_of(yard, "a b") == "a b"
        return
    with pytest.raises(AccessError, match="cannot be a name"):
        people.add(yard, name, "tender", GOOD)


def test_somebody_stopped_is_out_at_once_and_cannot_come_back(yard: Path) -> None:
    token = door.sign_in(yard, "Tender One", OTHER, HERE).token
    assert sessions.find(yard, token) is not None
    people.set_disabled(yard, "tender one", disabled=True)
    assert sessions.find(yard, token) is None
    assert not door.sign_in(yard, "Tender One", OTHER, HERE).token
    people.set_disabled(yard, "tender one", disabled=False)
    assert sessions.find(yard, token) is None, "a session that was ended holds again"
    assert door.sign_in(yard, "Tender One", OTHER, HERE).token


def test_an_owner_stays_who_can_sign_in(yard: Path) -> None:
    for change in (
        lambda: people.set_role(yard, "Owner One", "supervisor"),
        lambda: people.set_disabled(yard, "Owner One", disabled=True),
    ):
        with pytest.raises(AccessError, match="No owner would be left"):
            change()
    owner = next(p for p in people.everybody(yard) if p.name == "Owner One")
    assert (owner.role, owner.disabled) == ("owner", False)


def test_an_address_can_be_taken_away_but_not_the_last_way_in(yard: Path) -> None:
    people.add(yard, "Three", "tender", None, "three@example.org")
    with pytest.raises(AccessError, match="no way to sign in"):
        people.set_email(yard, "Three", "")
    with pytest.raises(AccessError, match="somebody else's"):
        people.set_email(yard, "Owner One", "THREE@example.org")
    with pytest.raises(AccessError, match="no e-mail"):
        people.set_email(yard, "Owner One", "three")
    account = people.with_email(yard, "Three@example.org", "issuer 1")
    assert account is not None and account.name == "Three"
    people.set_password(yard, "Three", OTHER)
    people.set_email(yard, "Three", "")
    assert people.with_email(yard, "three@example.org", "issuer 1") is None


def test_a_new_role_counts_in_a_session_that_holds(yard: Path) -> None:
    token = door.sign_in(yard, "Tender One", OTHER, HERE).token
    people.set_role(yard, "Tender One", "maintainer")
    found = sessions.find(yard, token)
    assert found is not None and found.role == "maintainer"


# --- sessions --------------------------------------------------------------------------------


def test_a_token_is_256_bits_and_only_its_hash_is_kept(yard: Path) -> None:
    tokens = {sessions.begin(yard, "Tender One", HERE) for _ in range(20)}
    assert len(tokens) == 20 and all(len(token) * 6 // 8 == 32 for token in tokens)
    kept = book.book_path(yard).read_bytes()
    assert not any(token.encode() in kept for token in tokens)
    assert OTHER.encode() not in kept


@pytest.mark.parametrize("forged", ["", "x", "A" * 43, "\udcff", "' OR 1=1 --", "a" * 100_000])
def test_a_forged_token_is_nobodys(yard: Path, forged: str) -> None:
    sessions.begin(yard, "Owner One", HERE)
    assert sessions.find(yard, forged) is None


def test_the_hash_that_is_kept_is_no_token(yard: Path) -> None:
    token = sessions.begin(yard, "Owner One", HERE)
    assert sessions.find(yard, sessions.token_hash(token).hex()) is None


@pytest.mark.parametrize(("later_s", "holds"), [(4 * 3600 - 60, True), (4 * 3600 + 60, False)])
def test_a_session_ends_without_a_sign_of_its_owner(
    yard: Path, monkeypatch: pytest.MonkeyPatch, later_s: int, holds: bool
) -> None:
    token = sessions.begin(yard, "Owner One", HERE)
    now = sessions._now_us()
    monkeypatch.setattr(sessions, "_now_us", lambda: now + later_s * 1_000_000)
    assert (sessions.find(yard, token) is not None) == holds
    # A sign that comes too late does not bring it back.
    sessions.seen(yard, token)
    assert (sessions.find(yard, token) is not None) == holds


def test_a_session_ends_however_busy(yard: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    token = sessions.begin(yard, "Owner One", HERE)
    begun = sessions._now_us()
    for hours in range(1, 14):
        monkeypatch.setattr(sessions, "_now_us", lambda h=hours: begun + h * 3_600_000_000)
        assert sessions.find(yard, token) is not None, hours
        sessions.seen(yard, token)
    monkeypatch.setattr(sessions, "_now_us", lambda: begun + 14 * 3_600_000_000 + 60_000_000)
    assert sessions.find(yard, token) is None


def test_a_token_kept_from_before_signing_out_is_refused(yard: Path) -> None:
    one, other = (door.sign_in(yard, "Owner One", GOOD, HERE).token for _ in range(2))
    door.sign_out(yard, one, HERE)
    assert sessions.find(yard, one) is None and sessions.find(yard, other) is not None
    door.sign_out(yard, other, HERE, everywhere=True)
    assert sessions.find(yard, other) is None
    door.sign_out(yard, other, HERE)  # once more is nothing


def test_a_new_password_ends_every_session_but_the_one_it_begins(yard: Path) -> None:
    one, other = (door.sign_in(yard, "Owner One", GOOD, HERE).token for _ in range(2))
    assert not door.change_password(yard, one, "not it, not it, no", OTHER, HERE).token
    assert sessions.find(yard, one) is not None
    fresh = door.change_password(yard, one, GOOD, OTHER, HERE).token
    assert sessions.find(yard, fresh) is not None
    assert sessions.find(yard, one) is None and sessions.find(yard, other) is None
    assert door.sign_in(yard, "Owner One", OTHER, HERE).token
    assert not door.sign_in(yard, "Owner One", GOOD, HERE).token


# --- lock-out --------------------------------------------------------------------------------


class Clock:
    """A clock that stands until moved."""

    def __init__(self) -> None:
        self.ns = time.time_ns()

    def time_ns(self) -> int:
        return self.ns

    def on(self, seconds: float) -> None:
        self.ns += int(seconds * 1e9)


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    standing = Clock()
    monkeypatch.setattr(tries, "time", standing)
    return standing


def test_wrong_tries_lock_a_name_longer_each_time(yard: Path, clock: Clock) -> None:
    for _ in range(5):
        assert door.sign_in(yard, "Owner One", "wrong", HERE) == door.Outcome("", 0)
    # Even the right password is not looked at now, also from elsewhere.
    for address in (HERE, "198.51.100.9"):
        assert door.sign_in(yard, "Owner One", GOOD, address) == door.Outcome("", 30)
    waits = []
    for _ in range(8):
        clock.on(door.sign_in(yard, "Owner One", GOOD, HERE).wait_s + 1)
        assert door.sign_in(yard, "Owner One", "wrong", f"203.0.113.{len(waits)}").wait_s == 0
        waits.append(door.sign_in(yard, "Owner One", GOOD, HERE).wait_s)
    assert waits == [60, 120, 240, 480, 960, 1920, 3600, 3600]
    clock.on(3601)
    assert door.sign_in(yard, "Owner One", GOOD, HERE).token
    # As before the first wrong try.
    assert [door.sign_in(yard, "Owner One", "wrong", HERE).wait_s for _ in range(5)] == [0] * 5


def test_a_lock_is_the_same_for_a_name_that_nobody_has(yard: Path, clock: Clock) -> None:
    known = [door.sign_in(yard, "Owner One", "wrong", "192.0.2.1") for _ in range(7)]
    unknown = [door.sign_in(yard, "Nobody", "wrong", "192.0.2.2") for _ in range(7)]
    assert known == unknown


def test_one_address_cannot_try_many_names(yard: Path, clock: Clock) -> None:
    outcomes = [door.sign_in(yard, f"name {n}", "wrong", HERE) for n in range(25)]
    assert [o.wait_s for o in outcomes] == [0] * 20 + [30] * 5
    assert door.sign_in(yard, "Owner One", GOOD, HERE).wait_s == 30
    assert door.sign_in(yard, "Owner One", GOOD, "198.51.100.9").token


def test_a_network_of_ipv6_addresses_counts_as_one(yard: Path, clock: Clock) -> None:
    # RFC 3849's addresses for documentation; a site's own is a /64 (RFC 4291, 2.5.4).
    for n in range(20):
        door.sign_in(yard, f"name {n}", "wrong", f"2001:db8::{n:x}")
    assert door.sign_in(yard, "Owner One", GOOD, "2001:db8::ffff").wait_s == 30
    assert door.sign_in(yard, "Owner One", GOOD, "2001:db8:0:1::1").token


def test_a_hundred_tries_at_once_are_a_hundred(yard: Path) -> None:
    with concurrent.futures.ThreadPoolExecutor(16) as pool:
        counted = list(pool.map(lambda _: tries.count(yard, "Owner One", HERE), range(100)))
    assert sum(one.wait_s == 0 for one in counted) == tries.WRONG_BY_NAME


def test_the_answer_takes_as_long_where_nobody_has_the_name(
    yard: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A hash is verified in each case, with the same parameters; told by counting, not timing."""
    done: list[str] = []
    real = passwords._hasher

    class Counting:
        def verify(self, made: str, typed: str) -> bool:
            done.append(made.rsplit("$", 2)[0])
            return real.verify(made, typed)

        def hash(self, typed: str) -> str:
            return real.hash(typed)

        def check_needs_rehash(self, made: str) -> bool:
            return real.check_needs_rehash(made)

    monkeypatch.setattr(passwords, "_hasher", Counting())
    people.set_disabled(yard, "Tender One", disabled=True)
    people.add(yard, "Elsewhere One", "tender", None, "elsewhere@example.org")
    outcomes = [
        door.sign_in(yard, name, typed, f"192.0.2.{n}")
        for n, (name, typed) in enumerate(
            [("Owner One", "wrong"), ("Nobody", "wrong"), ("Tender One", OTHER),
             ("Elsewhere One", ""), ("Owner One", "x" * 100_000)]
        )
    ]  # fmt: skip
    assert outcomes == [door.Outcome("", 0)] * 5
    assert len(done) == 5 and len(set(done)) == 1


def test_an_owner_lets_somebody_try_again(yard: Path) -> None:
    for _ in range(6):
        door.sign_in(yard, "Tender One", "wrong", HERE)
    tries.unlock(yard, "Tender One")
    assert door.sign_in(yard, "Tender One", OTHER, HERE).token


# --- the log ---------------------------------------------------------------------------------


def test_the_log_has_what_happened_and_no_secret(yard: Path) -> None:
    token = door.sign_in(yard, "Owner One", GOOD, HERE).token
    door.sign_in(yard, GOOD, "", HERE)  # a password in the field for the name
    for _ in range(6):
        door.sign_in(yard, "Tender One", "wrong-password-typed", "198.51.100.9")
    door.sign_out(yard, token, HERE)
    assert noted(yard) == [
        ("added", "Owner One"), ("added", "Tender One"), ("signed in", "Owner One"),
        ("wrong", door.UNKNOWN), *[("wrong", "Tender One")] * 5, ("locked out", "Tender One"),
        ("signed out", "Owner One"),
    ]  # fmt: skip
    text = audit.log_path(yard).read_text(encoding="utf-8")
    assert not any(secret in text for secret in (GOOD, OTHER, "wrong-password-typed", token))
    everything = b"".join(p.read_bytes() for p in book.folder(yard).iterdir())
    assert GOOD.encode() not in everything and b"wrong-password-typed" not in everything


def test_a_line_cut_off_by_a_crash_takes_no_other_with_it(yard: Path) -> None:
    path = audit.log_path(yard)
    path.write_bytes(path.read_bytes()[:-20])
    audit.note(yard, "signed in", "Owner One", HERE)
    assert [line["what"] for line in audit.lines(yard)] == ["added", "unreadable", "signed in"]


def test_lines_of_many_at_once_stand_whole(tmp_path: Path) -> None:
    with concurrent.futures.ThreadPoolExecutor(8) as pool:
        list(pool.map(lambda n: audit.note(tmp_path, "signed in", f"name {n}", HERE), range(64)))
    assert sorted(line["name"] for line in audit.lines(tmp_path)) == sorted(
        f"name {n}" for n in range(64)
    )


def test_nobody_comes_in_whom_the_log_cannot_take(
    yard: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise AccessError("The access log cannot be written: no space.", "See to the disk.")

    monkeypatch.setattr(audit, "note", full)
    with pytest.raises(AccessError, match="cannot be written"):
        door.sign_in(yard, "Owner One", GOOD, HERE)
    with sqlite3.connect(book.book_path(yard)) as con:
        assert con.execute("SELECT count(*) FROM session").fetchone() == (0,)


# --- files -----------------------------------------------------------------------------------


@pytest.mark.skipif(os.name != "posix", reason="modes are POSIX's")
def test_what_others_may_read_is_not_used(yard: Path) -> None:
    for path in (book.book_path(yard), audit.log_path(yard)):
        assert path.stat().st_mode & 0o777 == 0o600
        path.chmod(0o640)
        with pytest.raises(
            AccessError, match=r"others than its owner may use it \(mode 640\)"
        ) as e:
            people.everybody(yard) if path == book.book_path(yard) else list(audit.lines(yard))
        assert f"chmod 600 {path}" in e.value.next_step
        path.chmod(0o600)


def test_a_damaged_access_book_lets_nobody_in(yard: Path) -> None:
    book.book_path(yard).write_bytes(b"no database at all" * 400)
    with pytest.raises(AccessError, match="cannot be used"):
        people.must_sign_in(yard)


def test_beyond_this_computer_sign_in_is_asked_even_without_a_book(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert not people.must_sign_in(tmp_path)
    monkeypatch.setenv(people.ALWAYS_VARIABLE, "always")
    assert people.must_sign_in(tmp_path) and sessions.find(tmp_path, "anything") is None


# --- commands --------------------------------------------------------------------------------


def run(data: Path, *words: str, typed: str = "") -> tuple[int, str]:
    done = CliRunner().invoke(app, [*words, "--data", str(data)], input=typed)
    return done.exit_code, done.output


def test_people_are_looked_after_by_command(tmp_path: Path) -> None:
    (tmp_path / "yard.toml").write_text(YARD, encoding="utf-8")
    assert run(tmp_path, "people", "add", "Owner One", "--role", "owner", typed=GOOD + "\n")[0] == 0
    status, said = run(tmp_path, "people", "add", "Two", "--role", "king", typed=GOOD + "\n")
    assert status == 1 and "There is no role 'king'" in said
    status, said = run(tmp_path, "people", "add", "Two", "--role", "tender", typed="short\n")
    assert status == 1 and "at least 15" in said and "short" not in said.split()
    assert run(tmp_path, "people", "add", "Two", "--role", "tender", typed=OTHER + "\n")[0] == 0
    assert run(tmp_path, "people", "role", "two", "maintainer")[0] == 2  # --role is an option
    assert run(tmp_path, "people", "role", "two", "--role", "maintainer")[0] == 0
    assert run(tmp_path, "people", "password", "two", typed=GOOD + "\n")[0] == 0
    assert people.with_password(tmp_path, "Two", GOOD) is not None
    assert run(tmp_path, "people", "disable", "two")[0] == 0
    status, said = run(tmp_path, "people", "list", "--format", "json")
    assert [(p["name"], p["role"], p["disabled"]) for p in json.loads(said)] == [
        ("Owner One", "owner", False), ("Two", "maintainer", True)
    ]  # fmt: skip
    assert run(tmp_path, "people", "enable", "two")[0] == 0
    assert run(tmp_path, "people", "unlock", "two")[0] == 0
    status, said = run(tmp_path, "people", "disable", "nobody")
    assert status == 1 and "Nobody is called nobody" in said
    status, said = run(tmp_path, "people", "audit", "--name", "Two", "--format", "csv")
    assert [line.split(",")[1] for line in said.splitlines()[1:]] == [
        "added", "role changed", "password set", "disabled", "enabled", "unlocked"
    ]  # fmt: skip


def test_a_password_is_no_option() -> None:
    said = CliRunner().invoke(app, ["people", "add", "--help"], env={"COLUMNS": "200"}).output
    assert "--password" not in said.replace("--no-password", "")


def self_signed(folder: Path) -> tuple[Path, Path]:
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256",
         "-nodes", "-days", "2", "-subj", "/CN=localhost", "-addext",
         "subjectAltName=DNS:localhost,IP:127.0.0.1", "-keyout", str(key), "-out",
         str(certificate)],
        check=True, capture_output=True,
    )  # fmt: skip
    key.chmod(0o600)
    return certificate, key


def test_pages_are_not_opened_to_others_without_sign_in_and_encryption(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    began: list[tuple[object, ...]] = []
    monkeypatch.setattr(serve, "serve", lambda *a: began.append(a) or 0)
    (tmp_path / "yard.toml").write_text(YARD, encoding="utf-8")
    beyond = ("pages", "--no-browser", "--address", "0.0.0.0")
    status, said = run(tmp_path, *beyond, "--unencrypted")
    assert status == 1 and "nobody was added" in said and "gritbook people add" in said
    people.add(tmp_path, "Owner One", "owner", GOOD)
    status, said = run(tmp_path, *beyond)
    assert status == 1 and "in the clear" in said and "--certificate" in said
    certificate, key = self_signed(tmp_path)
    key.chmod(0o644)
    given = ("--certificate", str(certificate), "--key", str(key))
    status, said = run(tmp_path, *beyond, *given)
    assert status == 1 and "mode 644" in said and f"chmod 600 {key}" in said.replace("\n", "")
    key.chmod(0o600)
    status, said = run(tmp_path, *beyond, "--certificate", str(certificate), "--key", str(tmp_path))
    assert status == 1
    status, said = run(tmp_path, *beyond, "--certificate", str(certificate))
    assert status == 1 and "go together" in said
    assert not began
    assert run(tmp_path, *beyond, *given)[0] == 0
    assert run(tmp_path, *beyond, "--unencrypted")[0] == 0
    assert run(tmp_path, "pages", "--no-browser")[0] == 0
    assert [call[-1] is not None for call in began] == [True, False, False]


def test_the_command_line_gives_streamlit_the_certificate_and_leaves_its_guards_on(
    tmp_path: Path,
) -> None:
    certificate, key = self_signed(tmp_path)
    ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER).load_cert_chain(certificate, key)
    command = serve.streamlit_command(
        8617, "0.0.0.0", open_browser=False, encryption=serve.Encryption(certificate, key)
    )
    assert f"--server.sslCertFile={certificate}" in command
    assert f"--server.sslKeyFile={key}" in command
    said = " ".join(command)
    assert "Xsrf" not in said and "enableCORS" not in said and "allowedHosts" not in said
    shown = subprocess.run(
        [sys.executable, "-m", "streamlit", "config", "show"], capture_output=True, text=True,
        check=True, cwd=tmp_path,
    ).stdout  # fmt: skip
    assert "# enableXsrfProtection = true" in shown, "Streamlit's default is another now"
