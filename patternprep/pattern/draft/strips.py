"""Strips: the order in which sources are walked, and where strips begin, end and are broken.

A strip is a run of sources that becomes one body. At each junction of two sources the strip has
a node; its feet on z = 0 are laid out in ``skirts``. A junction is broken where one body through
it would fold over itself: then each side ends for itself and a fan of its own fills an outer
corner between them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import IntArray
from patternprep.pattern.draft.sources import Sources
from patternprep.pattern.draft.topology import BoolArray

__all__ = ["Strips", "cut_strips", "walk"]


@dataclass(frozen=True, eq=False)
class Strips:
    """Sources in walking order, strip after strip; a source may stand in two strips."""

    source: IntArray
    """Source of each place, (k,)."""
    first: IntArray
    """First place of each strip, (s,)."""
    count: IntArray
    """Number of places of each strip, (s,)."""
    closed: BoolArray
    """Whether the last source runs into the first, (s,)."""
    fan_before: BoolArray
    """Whether the strip's free start gets a quarter fan, (s,)."""
    fan_after: BoolArray
    fans: IntArray
    """Sources with an outer corner to the next one that a fan body of its own fills, (f,)."""

    def __len__(self) -> int:
        return len(self.first)


def walk(sources: Sources, broken: BoolArray) -> Strips:
    """Strips along the chains, cut after every source whose junction is broken."""
    k = len(sources.start)
    joined = (sources.follow >= 0) & ~broken
    follow = np.where(joined, sources.follow, -1)
    has_before = np.zeros(k, dtype=bool)
    has_before[follow[joined]] = True
    steps = follow.tolist()
    seen = bytearray(k)
    order: list[int] = []
    first: list[int] = []
    closed: list[bool] = []
    heads = np.flatnonzero(~has_before).tolist()
    for is_loop, starts in ((False, heads), (True, range(k))):
        for head in starts:
            if seen[head]:
                continue
            first.append(len(order))
            closed.append(is_loop)
            i = head
            while i >= 0 and not seen[i]:
                seen[i] = 1
                order.append(i)
                i = steps[i]
    source = np.array(order, dtype=np.int64)
    at = np.array(first, dtype=np.int64)
    count = np.diff(np.append(at, k))
    loop = np.array(closed, dtype=bool)
    # A free end of the chain gets a quarter fan; an end at a broken junction does not.
    chain_start = np.ones(k, dtype=bool)
    chain_start[sources.follow[sources.follow >= 0]] = False
    fan_before = chain_start[source[at]] & ~loop
    fan_after = (sources.follow[source[at + count - 1]] < 0) & ~loop
    fans = np.flatnonzero((sources.follow >= 0) & broken & (sources.turn > 0.0))
    return Strips(source, at, count, loop, fan_before, fan_after, fans)


def cut_strips(strips: Strips, bad: BoolArray) -> Strips:
    """The strips, each bad one cut into two that share one source (a loop: two sources)."""
    source, first, count, closed, before, after = [], [], [], [], [], []
    fans = [strips.fans]
    at = 0
    for s in range(len(strips)):
        run = strips.source[strips.first[s] : strips.first[s] + strips.count[s]]
        parts = [(run, bool(strips.closed[s]), strips.fan_before[s], strips.fan_after[s])]
        if bad[s] and len(run) > 1:
            half = len(run) // 2
            if strips.closed[s]:
                tail = np.append(run[half:], run[0])
                parts = [(run[: half + 1], False, False, False), (tail, False, False, False)]
            else:
                if len(run) == 2:
                    fans.append(run[:1])
                parts = [
                    (run[: half + (half + 1 < len(run))], False, strips.fan_before[s], False),
                    (run[half:], False, False, strips.fan_after[s]),
                ]
        for piece, is_loop, fan_b, fan_a in parts:
            source.append(piece)
            first.append(at)
            count.append(len(piece))
            closed.append(is_loop)
            before.append(fan_b)
            after.append(fan_a)
            at += len(piece)
    return Strips(
        np.concatenate(source),
        np.array(first, dtype=np.int64),
        np.array(count, dtype=np.int64),
        np.array(closed, dtype=bool),
        np.array(before, dtype=bool),
        np.array(after, dtype=bool),
        np.unique(np.concatenate(fans)),
    )
