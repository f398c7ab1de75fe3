"""`gritbook boxes` shows how well each sensor box is heard."""

from __future__ import annotations

from dashboard.commands.options import DataOption, YardOption, data_folder, sentences, yard_path
from dashboard.commands.output import (
    Format,
    FormatOption,
    FromOption,
    OutOption,
    PotOption,
    ToOption,
    emit,
    known_pots,
    window,
)


def boxes(
    data: DataOption = None,
    yard: YardOption = None,
    pot: PotOption = None,
    from_: FromOption = None,
    to: ToOption = None,
    form: FormatOption = Format.table,
    out: OutOption = None,
) -> None:
    """Boxes: last heard, lost, late and repeated, restarts, rate; by default of the last day."""
    with sentences():
        import datetime as dt

        from analytics.heard import boxes_heard
        from analytics.pipeline import utc_now
        from ingest.config import load_yard
        from ingest.store.connection import read_window

        loaded = load_yard(yard_path(yard, data))
        chosen = known_pots(loaded, pot)
        from_at, to_at = window(loaded, from_, to)
        now = utc_now()
        if from_at is None:
            from_at = (to_at or now) - dt.timedelta(days=1)
        with read_window(data_folder(data)) as con:
            frame = boxes_heard(con, loaded, chosen, from_at, to_at, now)
        emit(
            frame, form, out, loaded, title="Boxes",
            note=(
                "Lost by the message counter; where a box sends none, only silence shows. Repeated "
                "is since the beginning."
            ),
            people={
                "pot": "pot", "last_heard_at": "last heard", "rate_hz": "a second", "lost": "lost",
                "late": "late", "latest_s": "by up to s", "repeated": "repeated",
                "restarts": "restarts", "silences": "silences", "silent_s": "silent s",
                "says": "so",
            },
        )  # fmt: skip
