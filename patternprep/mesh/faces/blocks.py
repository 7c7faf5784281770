"""Smooth blocks of facets, and the curved surfaces found in each."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.faces.best import FIT_MM
from patternprep.mesh.faces.growth import grow_from_seeds
from patternprep.mesh.faces.regions import SMOOTH_DEG, Finder
from patternprep.mesh.faces.topology import Edges
from patternprep.mesh.mesh import IntArray, Mesh
from patternprep.mesh.topology import components

__all__ = ["curved_regions"]

_CREASES = (2.5, 1.5)
"""Facets that meet at more than this times what is usual in a block are on different surfaces;
the smaller is tried on blocks that the larger leaves."""


def _between_creases(
    finder: Finder, edges: Edges, blocks: list[IntArray], crease: float
) -> list[IntArray]:
    """The blocks cut where facets meet more sharply than is usual in the block."""
    mesh = finder.mesh
    block_of = np.full(mesh.facets, -1, dtype=np.int64)
    for number, facets in enumerate(blocks):
        block_of[facets] = number
    first, second = block_of[edges.facets[:, 0]], block_of[edges.facets[:, 1]]
    inner = np.flatnonzero((first == second) & (first >= 0) & (edges.angle < SMOOTH_DEG))
    bent = inner[edges.angle[inner] > 0.01]
    bent = bent[np.argsort(first[bent], kind="stable")]
    starts = np.searchsorted(first[bent], np.arange(len(blocks) + 1))
    cut = np.full(len(blocks), SMOOTH_DEG)
    for number in range(len(blocks)):
        angles = edges.angle[bent[starts[number] : starts[number + 1]]]
        if len(angles):
            cut[number] = max(crease * float(np.median(angles)), 1.0)
    inner = inner[edges.angle[inner] <= cut[first[inner]]]
    label = components(mesh.facets, *edges.facets[inner].T)[1]
    every = np.concatenate(blocks)
    every = every[np.argsort(label[every], kind="stable")]
    pieces = np.split(every, np.flatnonzero(np.diff(label[every])) + 1)
    sizes = np.bincount(block_of[every], minlength=len(blocks))
    return [
        p
        for p in pieces
        if len(p) >= 6 and len(p) < sizes[block_of[p[0]]] and finder.several_patches(p)
    ]


def _taken_whole(finder: Finder, blocks: list[IntArray]) -> list[IntArray]:
    """Take the blocks that lie on one surface each; the others, without what was taken."""
    left: list[IntArray] = []
    while blocks:
        smaller: list[IntArray] = []
        for block, fit in zip(
            blocks, finder.best_fits(blocks, [FIT_MM] * len(blocks)), strict=True
        ):
            facets = block[finder.owner[block] == -1]
            if len(facets) < 6:
                continue
            if len(facets) < len(block):
                # a neighbour has taken some of it: what is left is fitted anew
                smaller.append(facets)
            elif not finder.whole_block(facets, fit):
                left.append(facets)
        blocks = smaller
    return left


def curved_regions(mesh: Mesh, edges: Edges, patches: IntArray, noise: float) -> Finder:
    """All cylinders, cones, spheres and tori; the finder holds ``regions`` and ``owner``."""
    finder = Finder(mesh, edges, patches, noise)
    blocks = finder.blocks
    order = np.argsort(blocks, kind="stable")
    starts = np.searchsorted(blocks[order], np.arange(int(blocks.max()) + 2))
    sizes = np.diff(starts)
    first = patches[order[starts[:-1]]]
    several = sizes > finder.patch_size[first]
    left: list[IntArray] = []
    every = [order[starts[b] : starts[b + 1]] for b in np.flatnonzero(several & (sizes >= 6))]
    left += _taken_whole(finder, every)
    for crease in _CREASES:
        if left:
            _taken_whole(finder, _between_creases(finder, edges, left, crease))
        left = [facets[finder.owner[facets] == -1] for facets in left]
        left = [facets for facets in left if len(facets)]
    left.sort(key=lambda f: -float(mesh.areas[f].sum()))
    grow_from_seeds(finder, [facets for facets in left if len(facets) >= 6])
    return finder
