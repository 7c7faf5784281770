"""Growth of curved surfaces from seed facets, in smooth blocks that lie on no one surface."""

from __future__ import annotations

from collections.abc import Generator, Sequence

import numpy as np

from patternprep.mesh.faces.best import Fit
from patternprep.mesh.faces.regions import Finder
from patternprep.mesh.faces.surface import Surface
from patternprep.mesh.mesh import IntArray

__all__ = ["grow_from_seeds"]

_FIRST_WINDOW = 800
_IN_A_ROW = 10
"""Seeds that may fail one after another before a block is left as free-form."""
_BLOCKS_AT_ONCE = 12
_BUDGET = 120
"""Seeds that may fail in all; each one that succeeds allows two more."""

Found = tuple[IntArray, Surface]
"""The facets of a region, and the surface they lie on."""
Grown = tuple[IntArray, Found | None]
Growth = Generator[tuple[IntArray, float], Fit | None, Grown]
Spreading = Generator[tuple[IntArray, float], Fit | None, Found | None]


def grow_from_seeds(finder: Finder, blocks: Sequence[IntArray]) -> None:
    """Take the surfaces out of smooth blocks one after another, some blocks at a time."""
    growing = _Growing(finder)
    for start in range(0, len(blocks), _BLOCKS_AT_ONCE):
        searches = [_Search(growing, block) for block in blocks[start : start + _BLOCKS_AT_ONCE]]
        while growing.budget >= 0:
            seeds = [search.next_seeds() for search in searches]
            every = [seed for some in seeds for seed in some]
            if not every:
                break
            grown = iter(_abreast(finder, every))
            for search, some in zip(searches, seeds, strict=True):
                search.enter(some, [next(grown) for _ in some])


class _Growing:
    """What has been tried so far: facets that need no more seeds, failures still allowed."""

    def __init__(self, finder: Finder) -> None:
        self.finder = finder
        self.budget = _BUDGET
        self.skip = (finder.owner != -1) | (finder.turn == 0.0)


class _Search:
    """What is known of one smooth block while surfaces are grown in it."""

    def __init__(self, growing: _Growing, facets: IntArray) -> None:
        self.growing = growing
        self.finder = finder = growing.finder
        key = np.round(finder.mesh.areas[facets], 6)
        place = np.round(finder.centroids[facets], 4)
        self.order = facets[np.lexsort((place[:, 2], place[:, 1], place[:, 0], -key))]
        self.failures = 0

    def next_seeds(self) -> list[int]:
        """The next seeds in order, no two of them close together; one where the last was good."""
        finder = self.finder
        covered = self.growing.skip.copy()
        seeds: list[int] = []
        most = _IN_A_ROW + 1 - self.failures if self.failures else 1
        while len(seeds) < most:
            ahead = self.order[~covered[self.order]]
            if not len(ahead):
                break
            seeds.append(int(ahead[0]))
            covered[_neighbourhood(finder, seeds[-1], 300, 16.0)[0]] = True
        return seeds

    def enter(self, seeds: Sequence[int], grown: Sequence[Grown]) -> None:
        """Note what came of the seeds, up to the first that is good."""
        finder = self.finder
        for tried, found in grown:
            if self.growing.budget < 0:
                return
            if found is not None:
                if not (finder.owner[found[0]] == -1).all():
                    return  # another block has come first: the seeds are tried again
                finder.accept(*found)
                self.growing.skip[found[0]] = True
                self.failures = 0
                self.growing.budget += 2
                return
            self.growing.skip[tried] = True
            self.failures += 1
            self.growing.budget -= 1


def _neighbourhood(finder: Finder, seed: int, most: int, spread: float) -> tuple[IntArray, bool]:
    """Free facets around the seed by rings; True when there would have been more."""
    cosine = np.cos(np.radians(spread))
    reached = [np.array([seed])]
    front = reached[0]
    finder.owner[front] = -2
    count = 1
    more = False
    while len(front):
        front = finder.around(front)
        if not len(front):
            break
        finder.owner[front] = -2
        reached.append(front)
        count += len(front)
        if count >= most or (
            count >= 12 and (finder.mesh.normals[front] @ finder.mesh.normals[seed]).min() < cosine
        ):
            more = True
            break
    every = np.concatenate(reached)
    finder.owner[every] = -1
    return every, more


def _growth(finder: Finder, seed: int) -> Growth:
    """Try to grow a region from the seed.

    A generator, so that many may run abreast: it asks for fits (facets, how close) and is
    sent them. It returns the facets that need not be tried again where there is no region,
    and the region with its surface where there is one. It changes no owner.
    """
    tried: IntArray | None = None
    for spread, most in ((16.0, 300), (45.0, 1200)):
        near, _ = _neighbourhood(finder, seed, most, spread)
        tried = near if tried is None else tried
        if len(near) < 6:
            return near, None
        bulge = finder.sample(near).bulge
        if bulge < 20.0 * finder.noise:
            continue
        fit = yield near, max(2.0 * finder.noise, 0.02 * bulge)
        if fit is None:
            continue
        region = yield from _spread_out(finder, seed, near, *fit)
        if region is not None and finder.several_patches(region[0]):
            return tried, region
    assert tried is not None
    return tried, None


def _spread_out(
    finder: Finder, seed: int, near: IntArray, surface: Surface, typical: float
) -> Spreading:
    """Grow from a first fit by refitting on ever larger windows until nothing changes."""
    window_size = _FIRST_WINDOW
    window, more = _neighbourhood(finder, seed, window_size, 181.0)
    step = finder.usual_step(near, surface)
    size = 0
    for _ in range(14):
        outward = finder.outward(near, surface)
        inside = window[finder.fitting(window, surface, outward, step, typical)]
        if seed not in inside:
            return None
        region = finder.connected(np.array([seed]), inside)
        if len(region) < 6:
            return None
        if len(region) == size:
            if not more or not _at_rim(finder, region, window):
                break
            window_size *= 4
            window, more = _neighbourhood(finder, seed, window_size, 181.0)
            size = 0
            continue
        size = len(region)
        fit = yield region, finder.tight
        if fit is None:
            return None
        surface, typical = fit
        near, step = region, finder.usual_step(region, surface)
    turn = finder.mesh.normals[region] @ finder.mesh.normals[seed]
    if turn.min() > np.cos(np.radians(12.0)):
        return None
    return region, surface


def _abreast(finder: Finder, seeds: Sequence[int]) -> list[Grown]:
    """Grow from all seeds, with the fits that are wanted at one time done at once."""
    growths = [_growth(finder, seed) for seed in seeds]
    results: dict[int, Grown] = {}
    answers: dict[int, Fit | None] = dict.fromkeys(range(len(seeds)))
    while answers:
        wanted: dict[int, tuple[IntArray, float]] = {}
        for number, answer in answers.items():
            try:
                wanted[number] = growths[number].send(answer)
            except StopIteration as end:
                results[number] = end.value
        fits = finder.best_fits([w[0] for w in wanted.values()], [w[1] for w in wanted.values()])
        answers = dict(zip(wanted, fits, strict=True))
    return [results[number] for number in range(len(seeds))]


def _at_rim(finder: Finder, region: IntArray, window: IntArray) -> bool:
    """Does the region reach free facets outside the window?"""
    return bool(len(np.setdiff1d(finder.around(region), window)))
