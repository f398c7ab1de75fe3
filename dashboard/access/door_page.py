"""The pages before the pages, as plain HTML: sign in, who is signed in, and refusals.

They are no Streamlit pages: a browser that nobody has signed in from gets nothing of those, and a
cookie that scripts cannot read is only set by an answer over HTTP.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable
from dataclasses import fields
from urllib.parse import quote

from dashboard.access import passwords, roles
from dashboard.look import DARK, LIGHT, Palette, note, shown

_SCRIPT = (
    "document.querySelectorAll('[data-shows]').forEach(box=>box.addEventListener('change',()=>"
    "document.querySelectorAll(box.dataset.shows).forEach("
    "field=>{field.type=box.checked?'text':'password'})))"
)


def _colours(palette: Palette) -> str:
    return "".join(f"--gb-{f.name}:{getattr(palette, f.name)};" for f in fields(palette))


#: The pages' own letters, which Streamlit brings along, under a path that is open to everybody.
LETTERS_PATH = "/access/letters.woff2"

_STYLE = (
    f"@font-face{{font-family:Letters;font-weight:200 900;src:url({LETTERS_PATH})}}"
    f":root{{color-scheme:light dark;{_colours(LIGHT)}}}"
    f"@media (prefers-color-scheme:dark){{:root{{{_colours(DARK)}}}}}"
    """
*{box-sizing:border-box}
body{margin:0;background:var(--gb-ground);color:var(--gb-ink);line-height:1.4;
 font:17px/1.4 Letters,system-ui,sans-serif}
main{max-width:1180px;margin:0 auto;padding:12px 24px 64px}
.gb-head{border-bottom:3px solid var(--gb-ink);padding-bottom:14px}
.gb-mark{font-size:1.5rem;font-weight:800;letter-spacing:-.02em;line-height:1}
.gb-mark span{display:inline-block;width:.34em;height:.9em;margin:0 .18em -.06em 0;
 background:repeating-linear-gradient(90deg,var(--gb-ink) 0 2px,transparent 2px 4px)}
h1{font-size:2rem;font-weight:750;letter-spacing:-.022em;line-height:1.1;margin:22px 0 4px}
h2{font-size:1.24rem;font-weight:700;letter-spacing:-.01em;margin:0 0 4px}
p{margin:0 0 12px}
.gb-under{color:var(--gb-quiet);font-size:.94rem;max-width:60ch}
.gb-two{display:grid;grid-template-columns:minmax(0,460px) minmax(0,1fr);gap:18px 56px;
 align-items:start;margin-top:18px}
.gb-card{background:var(--gb-surface);border-top:4px solid var(--gb-ink);padding:18px 20px 22px}
.gb-card+.gb-card,aside section+section{margin-top:18px}
aside section{border-top:1px solid var(--gb-line);padding-top:12px}
label{display:block;font-size:.94rem;font-weight:600;margin:14px 0 5px}
input[type=text],input[type=password]{width:100%;min-height:56px;padding:8px 14px;font:inherit;
 font-size:1.12rem;color:var(--gb-ink);background:var(--gb-ground);border:1px solid var(--gb-quiet);
 border-radius:4px}
:focus-visible{outline:3px solid var(--gb-supply);outline-offset:2px}
.gb-tick{display:flex;align-items:center;gap:12px;min-height:52px;margin:4px 0 0;font-weight:400}
.gb-tick input{width:26px;height:26px;accent-color:var(--gb-ink)}
button,.gb-way{display:flex;align-items:center;justify-content:center;width:100%;min-height:60px;
 padding:8px 18px;font:inherit;font-size:1.12rem;font-weight:700;border-radius:4px;cursor:pointer;
 text-decoration:none;border:2px solid var(--gb-ink)}
button{background:var(--gb-ink);color:var(--gb-ground);margin-top:10px}
button.gb-second,.gb-way{background:none;color:var(--gb-ink)}
.gb-or{display:flex;align-items:center;gap:12px;color:var(--gb-quiet);font-size:.94rem;
 margin:18px 0}
.gb-or::before,.gb-or::after{content:"";flex:1;border-top:1px solid var(--gb-line)}
.gb-note{background:var(--gb-surface);border-left:6px solid var(--gb-ink);padding:12px 16px;
 margin-top:18px;max-width:76ch}
.gb-note b{display:block}
.gb-note.gb-warn{border-color:var(--gb-warn)}
.gb-note.gb-alarm{border-color:var(--gb-alarm)}
dl{display:grid;grid-template-columns:max-content 1fr;gap:4px 22px;margin:0 0 8px}
dt{color:var(--gb-quiet)}dd{margin:0;font-weight:600;overflow-wrap:anywhere}
ul{margin:6px 0 0;padding:0;list-style:none;columns:2;column-gap:28px;font-size:.94rem}
li{padding:3px 0;break-inside:avoid}
.gb-back{display:inline-flex;align-items:center;min-height:48px;color:var(--gb-ink);
 font-weight:650;text-underline-offset:3px}
@media (max-width:820px){.gb-two{grid-template-columns:minmax(0,1fr)}}
@media (max-width:640px){main{padding:12px 14px 48px}h1{font-size:1.7rem}ul{columns:1}}
"""
)


def _digest(text: str) -> str:
    return "'sha256-" + base64.b64encode(hashlib.sha256(text.encode()).digest()).decode() + "'"


#: What these pages may do: nothing but their own style, their own few lines, and forms to us.
POLICY = (
    f"default-src 'none'; style-src {_digest(_STYLE)}; script-src {_digest(_SCRIPT)}; "
    "font-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)


def _page(title: str, *pieces: str) -> str:
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width,initial-scale=1">'
        f"<title>{shown(title)} - Gritbook</title><style>{_STYLE}</style></head><body><main>"
        '<div class="gb-head"><div class="gb-mark"><span></span>Gritbook</div></div>'
        f"<h1>{shown(title)}</h1>{''.join(pieces)}</main><script>{_SCRIPT}</script></body></html>"
    )


def sign_in(back_to: str, said: str, step: str, elsewhere: str | None, has_local: bool) -> str:
    """The page to sign in on.

    Parameters
    ----------
    back_to : str
        Path to go to afterwards.
    said, step : str
        What became of the try before, and what to do; empty: there was none.
    elsewhere : str or None
        What the identity provider is called; ``None``: there is none.
    has_local : bool
        Whether anybody has a password of ours.
    """
    told = note(said, step, "alarm") if said else ""
    own = (
        '<form method="post" action="/access/sign-in">'
        f'<input type="hidden" name="to" value="{shown(back_to)}">'
        '<label for="name">Name</label><input type="text" id="name" name="name" maxlength="80" '
        'autocomplete="username" autocapitalize="none" spellcheck="false" required autofocus>'
        '<label for="password">Password</label><input type="password" id="password" '
        'name="password" autocomplete="current-password" required>'
        '<label class="gb-tick"><input type="checkbox" data-shows="#password">'
        "Show what I type</label><button>Sign in</button></form>"
    )
    other = (
        f'<a class="gb-way" href="/access/openid?to={shown(quote(back_to, safe=""))}">'
        f"Sign in with {shown(elsewhere)}</a>"
        if elsewhere is not None
        else ""
    )
    between = '<div class="gb-or">or</div>' if other and has_local else ""
    if not (other or has_local):
        own, told = "", note("Nobody was added yet.", "Run `gritbook people add`.", "warn")
    return _page(
        "Sign in",
        told,
        '<div class="gb-two"><div class="gb-card">',
        f"{own if has_local else ''}{between}{other}</div>",
        "<aside><section><h2>Who enters something stands beside it</h2>"
        '<p class="gb-under">So sign in as yourself, also on a phone that others use, and sign out '
        "when you hand it on.</p></section>"
        "<section><h2>No way in?</h2>"
        '<p class="gb-under">The owner adds people and sets passwords, at the computer that '
        "Gritbook runs on.</p></section></aside></div>",
    )


def me(
    name: str, role: str, begun: str, ends: str, has_password: bool, said: str, kind: str
) -> str:
    """Who is signed in, what their role covers, and the way out."""
    covered = [action for action, covering in roles.ACTIONS.items() if role in covering]
    change = (
        '<section class="gb-card"><h2>Change your password</h2>'
        f'<p class="gb-under">At least {passwords.FEWEST} characters, of any kind; four or five '
        "words do. It signs you out everywhere else.</p>"
        '<form method="post" action="/access/password">'
        f'<input type="text" name="name" value="{shown(name)}" autocomplete="username" hidden>'
        '<label for="old">Password so far</label><input type="password" class="typed" id="old" '
        'name="old" autocomplete="current-password" required>'
        '<label for="new">New password</label><input type="password" class="typed" id="new" '
        f'name="new" minlength="{passwords.FEWEST}" autocomplete="new-password" required>'
        '<label class="gb-tick"><input type="checkbox" data-shows=".typed">'
        'Show what I type</label><button class="gb-second">Change it</button></form></section>'
        if has_password
        else ""
    )
    return _page(
        f"Signed in as {name}",
        note(said, "", kind) if said else "",
        '<div class="gb-two"><div><section class="gb-card">',
        f"<dl><dt>Role</dt><dd>{shown(roles.ROLE_WORDS[role])}</dd>"
        f"<dt>Since</dt><dd>{shown(begun)}</dd><dt>At the longest until</dt><dd>{shown(ends)}</dd>"
        '</dl><form method="post" action="/access/sign-out"><button>Sign out</button></form>'
        '<form method="post" action="/access/sign-out"><input type="hidden" name="everywhere" '
        'value="yes"><button class="gb-second">Sign out everywhere</button></form>'
        f"</section>{change}</div>"
        '<aside><section><a class="gb-back" href="/">Back to the yard</a></section>'
        f"<section><h2>What your role covers</h2>{_list(covered)}</section></aside></div>",
    )


def refused(title: str, said: str, step: str) -> str:
    """A page that says why nothing is shown."""
    return _page(title, note(said, step, "alarm"))


def _list(items: Iterable[str]) -> str:
    return "<ul>" + "".join(f"<li>{shown(item)}</li>" for item in items) + "</ul>"
