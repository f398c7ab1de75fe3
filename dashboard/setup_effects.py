"""What a change of the yard file will cause, said before it is saved."""

from __future__ import annotations

from dashboard import key_words
from ingest.config import Yard, settings_fingerprint


def effects(before: Yard, after: Yard) -> list[str]:
    """What will follow from a changed yard file, in sentences.

    Parameters
    ----------
    before, after : Yard
        The file as it is, and as it will be.
    """
    said = []
    old, new = set(before.pot_names), set(after.pot_names)
    for pot in sorted(old - new):
        said.append(
            f"{pot} goes from every page. Its readings and records are kept, and show again if a "
            "pot of that name comes back."
        )
    for pot in sorted(new - old):
        said.append(f"{pot} is new: readings under that name are taken from then on.")
    anew = [pot for pot in after.pot_names if pot in old and _made_with(before, pot)
            != _made_with(after, pot)]  # fmt: skip
    if anew:
        them = "its first reading" if len(anew) == 1 else "their first readings"
        said.append(
            f"All figures of {', '.join(anew)} are made anew from {them} on, hours of long ago "
            "too; with years of readings that takes minutes. Readings themselves stay as they are."
        )
    said += _checks(before, after)
    if _by_ingest(before) != _by_ingest(after):
        said.append(
            "Ingest reads this only when it starts: end `gritbook ingest` and start it again "
            "afterwards. Boxes' messages wait at the broker until then."
        )
    if before.notices != after.notices:
        said.append("Notices are told by the new settings within a minute.")
    return said or ["Pages show it at once; no figure changes."]


def _checks(before: Yard, after: Yard) -> list[str]:
    if before.rules == after.rules:
        return []
    said = ["What is due is counted by the new limits within a minute."]
    known = {(r.name, r.pots, r.positions, r.loosened_by) for r in before.effective_rules()}
    for rule in after.effective_rules():
        if rule.loosened and (rule.name, rule.pots, rule.positions, rule.loosened_by) not in known:
            said.append(
                f"Looser than common practice: {key_words.part(rule.part)} "
                f"({key_words.limits_page(rule.loosened_by)}), decided by {rule.by}. Every page "
                "says so."
            )
    return said


def _made_with(yard: Yard, pot: str) -> tuple[str, float]:
    """What a pot's figures are made with: a change of it makes them all anew."""
    described = yard.pot(pot)
    return settings_fingerprint(yard, pot), described.plate_pa if described else 0.0


def _by_ingest(yard: Yard) -> tuple[object, ...]:
    """What ingest takes from the yard file when it starts."""
    return (
        yard.site.name, yard.pot_names, yard.mqtt, yard.serial, yard.modbus, yard.limits,
        yard.keep, yard.metrics, [(box.pot, box.source) for box in yard.boxes],
    )  # fmt: skip
