"""Proof of a kit from its written files, sharing only the mesh reader with its maker."""

from patternprep.proof.line import ProofLine, verdict
from patternprep.proof.prove import prove_kit

__all__ = ["ProofLine", "prove_kit", "verdict"]
