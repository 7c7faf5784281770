"""Draft: the least solid around a part that leaves the sand, and halves that meet."""

from patternprep.pattern.draft.angles import AngleRule, constant_angle
from patternprep.pattern.draft.closing import ClosedPocket, closed_pockets
from patternprep.pattern.draft.hull import Corner, DraftedHalf, draft_half
from patternprep.pattern.draft.pattern import DraftedPattern, HalfVolumes, Match, draft_pattern
from patternprep.pattern.draft.rounding import join_needle_ends, keep_lean
from patternprep.pattern.draft.walls import WallRecord

__all__ = [
    "AngleRule",
    "ClosedPocket",
    "Corner",
    "DraftedHalf",
    "DraftedPattern",
    "HalfVolumes",
    "Match",
    "WallRecord",
    "closed_pockets",
    "constant_angle",
    "draft_half",
    "draft_pattern",
    "join_needle_ends",
    "keep_lean",
]
