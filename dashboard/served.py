"""What `gritbook pages` serves: the pages of ``app.py`` behind the gate, and the doors in it.

Streamlit finds the application by reading this file for a call of ``st.App``.
"""

from __future__ import annotations

from pathlib import Path

import streamlit as st
from starlette.middleware import Middleware

from dashboard.access import gate

app = st.App(
    Path(__file__).parent / "app.py",
    routes=gate.routes(),
    middleware=[Middleware(gate.Gate)],
)
