"""Yard files of the tests, put together from pieces: what is plain, and what a test is about."""

from __future__ import annotations

ALL = ("supply", "pot", "nozzle", "deadman")


def site(zone: str = "Europe/Berlin", more: str = "") -> str:
    """A site with a broker on this computer."""
    return f'[site]\nname = "test-yard"\ntime_zone = "{zone}"\n{more}\n[mqtt]\nhost = "127.0.0.1"\n'


def pot(
    name: str = "pot-1", title: str = "", volume_m3: str = "0.184", plate_pa: int = 1_000_000
) -> str:
    """A pot, with a title where it has one."""
    titled = f'title = "{title}"\n' if title else ""
    return f'[[pot]]\nname = "{name}"\n{titled}volume_m3 = {volume_m3}\nplate_pa = {plate_pa:_}\n'


def box(name: str = "box-1", pot: str = "pot-1", channels: tuple[str, ...] = ALL) -> str:
    """A box on a pot."""
    named = ", ".join(f'"{channel}"' for channel in channels)
    return f'[[box]]\nname = "{name}"\npot = "{pot}"\nchannels = [{named}]\n'
