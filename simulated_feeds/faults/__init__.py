"""Faults that can be put into a simulated pot, its transducers, its box and its messages.

`catalogue` names them, `fault_set` puts them to work, `trial` shows what one does over a few
bursts, and `pictures` draws README.md and the pictures in this folder.
"""

from .catalogue import BY_NAME, CATALOGUE, Fault
from .fault_set import FaultSet, UnknownFault, parse_fault

__all__ = ["BY_NAME", "CATALOGUE", "Fault", "FaultSet", "UnknownFault", "parse_fault"]
