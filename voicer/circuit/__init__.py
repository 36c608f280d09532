"""The circuit: poles, clock and gains, and what follows from them for the player."""

from voicer.circuit.advice import Remark, remarks
from voicer.circuit.circuit import Circuit
from voicer.circuit.facts import collect_facts, fact_lines

__all__ = ["Circuit", "Remark", "collect_facts", "fact_lines", "remarks"]
