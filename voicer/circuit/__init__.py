"""Electronics: the exact circuit of a voicing, and what its parts say about the sound."""

from voicer.circuit.advice import Remark, remarks
from voicer.circuit.circuit import Circuit
from voicer.circuit.design import design
from voicer.circuit.facts import fact_lines, facts

__all__ = ["Circuit", "Remark", "design", "fact_lines", "facts", "remarks"]
