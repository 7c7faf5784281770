"""Smooth blocks of facets, and the curved surfaces found in each."""

from __future__ import annotations

import numpy as np

from patternprep.mesh.faces.regions import SMOOTH_DEG, Finder
from patternprep.mesh.faces.topology import Edges, components
from patternprep.mesh.mesh import IntArray, Mesh

__all__ = ["curved_regions"]

_CREASE = 2.5
"""Facets that meet at more than this times what is usual in a block are on different surfaces."""


def _between_creases(finder: Finder, edges: Edges, blocks: list[IntArray]) -> list[IntArray]:
    """The blocks cut where facets meet much more sharply than is usual in the block."""
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
            cut[number] = max(_CREASE * float(np.median(angles)), 1.0)
    inner = inner[edges.angle[inner] <= cut[first[inner]]]
    label = components(mesh.facets, edges.facets[inner])
    every = np.concatenate(blocks)
    every = every[np.argsort(label[every], kind="stable")]
    pieces = np.split(every, np.flatnonzero(np.diff(label[every])) + 1)
    sizes = np.bincount(block_of[every], minlength=len(blocks))
    return [
        p
        for p in pieces
        if len(p) >= 6 and len(p) < sizes[block_of[p[0]]] and finder.several_patches(p)
    ]


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
    for block in np.flatnonzero(several & (sizes >= 6)):
        facets = order[starts[block] : starts[block + 1]]
        facets = facets[finder.owner[facets] == -1]
        if len(facets) >= 6 and not finder.whole_block(facets):
            left.append(facets)
    if left:
        for facets in _between_creases(finder, edges, left):
            finder.whole_block(facets)
    for facets in sorted(left, key=lambda f: -float(mesh.areas[f].sum())):
        free = facets[finder.owner[facets] == -1]
        if len(free) >= 6:
            finder.from_seeds(free)
    return finder
