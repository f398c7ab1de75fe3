"""`gritbook people`: who may sign in to the pages, in what role, and what became of it."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from dashboard.access.roles import ACTIONS, ROLE_WORDS
from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import Format, FormatOption, OutOption, emit

app = typer.Typer(
    help="Who may sign in to the pages, in what role, and what became of it.", no_args_is_help=True
)

NameArgument = Annotated[str, typer.Argument(help="As it stands beside what they enter.")]
RoleOption = Annotated[str, typer.Option(help=f"One of {', '.join(ROLE_WORDS)}.")]


@app.command()
def add(
    name: NameArgument,
    role: RoleOption,
    data: DataOption = None,
    email: Annotated[
        str, typer.Option(help="By which a sign-in at the identity provider is known.")
    ] = "",
    no_password: Annotated[
        bool, typer.Option("--no-password", help="They sign in at the identity provider only.")
    ] = False,
) -> None:
    """Add somebody. The first password is asked for, or read from standard input."""
    from dashboard.access import people

    with sentences():
        password = None if no_password else _typed_password(name)
        people.add(data_folder(data), name, role, password, email)
        typer.echo(f"{name} may sign in as {ROLE_WORDS[role]}. Sign-in is asked of everybody now.")


@app.command("list")
def list_people(
    data: DataOption = None,
    yard: YardOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Everybody who was added, and what their role covers."""
    import polars as pl

    from dashboard.access import people
    from ingest.config import load_yard

    with sentences():
        rows = [
            {
                "name": one.name,
                "role": one.role,
                "email": one.email or None,
                "has_password": one.has_password,
                "disabled": one.disabled,
                "added_at": one.added_us,
            }
            for one in people.everybody(data_folder(data))
        ]
        schema = {
            "name": pl.String, "role": pl.String, "email": pl.String, "has_password": pl.Boolean,
            "disabled": pl.Boolean, "added_at": pl.Int64,
        }  # fmt: skip
        frame = pl.DataFrame(rows, schema).with_columns(pl.col("added_at").cast(pl.Datetime("us")))
        heads = {
            "name": "Name", "role": "Role", "email": "E-mail", "has_password": "Password",
            "disabled": "Stopped", "added_at": "Added",
        }  # fmt: skip
        emit(
            frame, form, out, load_yard(yard_path(yard, data)), title="People", people=heads,
            note="What a role covers: `gritbook people roles`.",
        )  # fmt: skip


@app.command()
def roles() -> None:
    """What each role covers."""
    for role, called in ROLE_WORDS.items():
        typer.echo(
            f"{called} ({role}): {', '.join(a for a, may in ACTIONS.items() if role in may)}"
        )


@app.command("role")
def change_role(name: NameArgument, role: RoleOption, data: DataOption = None) -> None:
    """Give somebody another role; it counts at once."""
    from dashboard.access import people

    with sentences():
        people.set_role(data_folder(data), name, role)
        typer.echo(f"{name} is {ROLE_WORDS[role]} now.")


@app.command("email")
def change_email(
    name: NameArgument,
    email: Annotated[str, typer.Option(help="The address; empty takes it away.")],
    data: DataOption = None,
) -> None:
    """Set the e-mail by which a sign-in at the identity provider is known; ends their sessions."""
    from dashboard.access import people

    with sentences():
        people.set_email(data_folder(data), name, email)
        typer.echo(f"{name} is known by {email} now." if email else f"{name} has no e-mail now.")


@app.command()
def disable(name: NameArgument, data: DataOption = None) -> None:
    """Stop somebody from signing in, and end their sessions. What they entered stays."""
    from dashboard.access import people

    with sentences():
        people.set_disabled(data_folder(data), name, disabled=True)
        typer.echo(f"{name} can sign in no longer, and is signed out.")


@app.command()
def enable(name: NameArgument, data: DataOption = None) -> None:
    """Let somebody sign in again who was stopped."""
    from dashboard.access import people

    with sentences():
        people.set_disabled(data_folder(data), name, disabled=False)
        typer.echo(f"{name} can sign in again.")


@app.command()
def password(name: NameArgument, data: DataOption = None) -> None:
    """Set somebody's password anew, and end their sessions. It is asked for, or read from input."""
    from dashboard.access import people

    with sentences():
        people.set_password(data_folder(data), name, _typed_password(name))
        typer.echo(f"The password of {name} is set; they are signed out everywhere.")


@app.command()
def unlock(name: NameArgument, data: DataOption = None) -> None:
    """Let somebody try again at once who was locked out by wrong tries."""
    from dashboard.access import audit, people, tries

    with sentences():
        folder = data_folder(data)
        shown = people.name_of(folder, name)
        tries.unlock(folder, name)
        if shown:
            audit.note(folder, "unlocked", shown)
        typer.echo(f"Wrong tries of {name} are forgotten.")


@app.command("audit")
def show_audit(
    data: DataOption = None,
    yard: YardOption = None,
    name: Annotated[
        str | None, typer.Option("--name", help="Only of this name.", show_default=False)
    ] = None,
    last: Annotated[int, typer.Option(min=1, help="So many of the newest lines.")] = 200,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Who signed in and out, was refused, locked out or changed; the newest last."""
    import json

    import polars as pl

    from dashboard.access import audit
    from ingest.config import load_yard

    with sentences():
        known = ("at", "what", "name", "from")
        rows = [
            {
                **{key: line.get(key) for key in known},
                "more": ", ".join(
                    f"{key} {value if isinstance(value, str) else json.dumps(value)}"
                    for key, value in line.items()
                    if key not in known
                ),
            }
            for line in audit.lines(data_folder(data))
            if name is None or line.get("name") == name
        ][-last:]
        frame = pl.DataFrame(rows, dict.fromkeys((*known, "more"), pl.String)).with_columns(
            pl.col("at").str.to_datetime(time_unit="us", time_zone="UTC").dt.replace_time_zone(None)
        )
        heads = {"at": "When", "what": "What", "name": "Who", "from": "From", "more": "More"}
        emit(frame, form, out, load_yard(yard_path(yard, data)), title="Access", people=heads)


def _typed_password(name: str) -> str:
    """A new password: asked for twice at a terminal, else the first line of standard input."""
    if sys.stdin.isatty():
        return str(
            typer.prompt(f"Password for {name}", hide_input=True, confirmation_prompt="And again")
        )
    return sys.stdin.readline().rstrip("\r\n")
