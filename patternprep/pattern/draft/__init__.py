"""Draft: the least solid around a part that leaves the sand, and halves that meet."""

from patternprep.pattern.draft.angles import AngleRule, constant_angle
from patternprep.pattern.draft.cut import cut_at_parting
from patternprep.pattern.draft.hull import Corner, DraftedHalf, draft_half

__all__ = [
    "AngleRule",
    "Corner",
    "DraftedHalf",
    "constant_angle",
    "cut_at_parting",
    "draft_half",
]
