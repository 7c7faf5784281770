"""Which way the part leaves the sand: pulls and flat partings ranked, undercuts named."""

from __future__ import annotations

from patternprep.pattern.parting.candidate import MachinedFace, PartingCandidate, Undercut, Vec3
from patternprep.pattern.parting.cavities import closed_cavities, with_cavities_told
from patternprep.pattern.parting.exact import undercuts_of, undercuts_of_pairs
from patternprep.pattern.parting.search import evaluate_parting, find_partings
from patternprep.pattern.parting.wishes import PartingWish, parse_parting, parse_pull

__all__ = [
    "MachinedFace",
    "PartingCandidate",
    "PartingWish",
    "Undercut",
    "Vec3",
    "closed_cavities",
    "evaluate_parting",
    "find_partings",
    "parse_parting",
    "parse_pull",
    "undercuts_of",
    "undercuts_of_pairs",
    "with_cavities_told",
]
