"""Proof of a kit from its written files, sharing only the mesh reader with its maker."""

from patternprep.proof.line import ProofLine, verdict
from patternprep.proof.prove import prove_kit
from patternprep.proof.told import SEAL_KEY, seal_of

__all__ = ["SEAL_KEY", "ProofLine", "prove_kit", "seal_of", "verdict"]
