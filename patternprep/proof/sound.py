"""Is a written mesh a closed, oriented manifold; and is it the file that was told of?"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from patternprep.mesh.mesh import IntArray, Mesh
from patternprep.proof.figures import Figures
from patternprep.proof.files import Kit, PieceFiles
from patternprep.proof.line import Place, ProofLine, at_most

__all__ = [
    "Shells",
    "edge_partners",
    "file_lines",
    "groups",
    "mesh_lines",
    "partners_of",
    "same_file",
    "shells_of",
    "surface_line",
]


@dataclass(frozen=True)
class Shells:
    """What the edges say: bad directed edges, the first bad place, shells and hollow shells."""

    bad_edges: int
    where: Place | None
    outer: int
    hollow: int


def edge_partners(faces: IntArray) -> tuple[IntArray, int, int]:
    """For each directed edge 3 f + i (corner i to i + 1): the facet across, or -1.

    Also the number of directed edges without exactly one reverse, and the first such edge (-1).
    """
    start = faces.ravel()
    end = faces[:, [1, 2, 0]].ravel()
    size = int(faces.max()) + 1 if len(faces) else 1
    key = np.minimum(start, end) * size + np.maximum(start, end)
    place = len(start).bit_length()
    if (size * size).bit_length() + place < 63:
        # one plain sort of edge and place together is several times faster than an order
        key = np.sort(key << place | np.arange(len(start)))
        order = key & ((1 << place) - 1)
        key >>= place
    else:
        order = np.argsort(key, kind="stable")
        key = key[order]
    change = np.flatnonzero(np.append(True, key[1:] != key[:-1]))
    count = np.diff(np.append(change, len(order)))
    partner = np.full(len(start), -1, dtype=np.int64)
    two = change[count == 2]
    first, second = order[two], order[two + 1]
    good = (start[first] == end[second]) & (start[first] != end[first])
    first, second = first[good], second[good]
    partner[first], partner[second] = second // 3, first // 3
    bad = np.flatnonzero(partner < 0)
    return partner, len(bad), int(bad[0]) if len(bad) else -1


def partners_of(mesh: Mesh) -> IntArray:
    """The facet across each directed edge of a mesh, as in :func:`edge_partners`; kept with it."""
    kept: IntArray | None = mesh.__dict__.get("_partners")
    if kept is None:
        kept = mesh.__dict__["_partners"] = edge_partners(mesh.faces)[0]
    return kept


def groups(count: int, first: IntArray, second: IntArray) -> IntArray:
    """Group number (the least member) of each of count things, joined pair by pair."""
    label = np.arange(count)
    while len(first):
        a, b = label[first], label[second]
        apart = a != b
        if not apart.any():
            break
        first, second, a, b = first[apart], second[apart], a[apart], b[apart]
        np.minimum.at(label, np.maximum(a, b), np.minimum(a, b))
        while True:
            shorter = label[label]
            if np.array_equal(shorter, label):
                break
            label = shorter
    return label


def shells_of(mesh: Mesh) -> Shells:
    """Edges paired, shells counted; facets without any area count as bad edges too."""
    partner, bad, first = edge_partners(mesh.faces)
    across = np.flatnonzero(partner >= 0)
    label = groups(mesh.facets, across // 3, partner[across])
    _, member = np.unique(label, return_inverse=True)
    corners = mesh.vertices - mesh.vertices.mean(axis=0)
    a, b, c = (corners[mesh.faces[:, i]] for i in range(3))
    volume = np.bincount(member, np.einsum("ij,ij->i", a, np.cross(b, c))) / 6.0
    where = None
    if bad:
        ends = mesh.vertices[[mesh.faces[first // 3, first % 3]]]
        x, y, z = (float(v) for v in ends[0])
        where = (x, y, z)
    return Shells(bad, where, int((volume > 0.0).sum()), int((volume <= 0.0).sum()))


def file_lines(kit: Kit) -> list[ProofLine]:
    """Hashes, closed surfaces and bodies of every written mesh."""
    figures = kit.figures
    lines = [
        same_file("part file unchanged", kit.part_sha256, figures.text("part.sha256")),
        surface_line("part", kit.part, shells_of(kit.part)),
    ]
    for piece in kit.pieces:
        lines += _piece_lines(piece)
    return lines


def _piece_lines(piece: PieceFiles) -> list[ProofLine]:
    name = piece.name
    lines = [same_file(f"{name} file unchanged", piece.sha256, piece.stated.text("sha256"))]
    if piece.stated.look("print_sha256", None) is not None:
        told = piece.stated.text("print_sha256")
        lines.append(same_file(f"print file of the {name} unchanged", piece.print_sha256, told))
    shells = shells_of(piece.mesh)
    lines.append(surface_line(name, piece.mesh, shells))
    spare = abs(shells.outer - piece.stated.number("bodies")) + shells.hollow
    spot = piece.mesh.vertices[0]
    lines.append(at_most(f"bodies of the {name} as told", spare, 0, "bodies", spot))
    facets = abs(piece.mesh.facets - piece.stated.number("facets"))
    lines.append(at_most(f"facets of the {name} as told", facets, 0, "facets"))
    printed = shells if _mirrored(piece.mesh, piece.printed) else shells_of(piece.printed)
    lines.append(surface_line(f"print file of the {name}", piece.printed, printed))
    return lines


def mesh_lines(
    name: str, mesh: Mesh, sha256: str, stated: Figures, hash_key: str
) -> list[ProofLine]:
    """The file of one mesh: unchanged, closed, and with the bodies and facets that are told."""
    shells = shells_of(mesh)
    odd = abs(shells.outer - stated.number("bodies")) + shells.hollow
    facets = abs(mesh.facets - stated.number("facets"))
    return [
        same_file(f"{name} file unchanged", sha256, stated.text(hash_key)),
        surface_line(name, mesh, shells),
        at_most(f"bodies of {name} as told", odd, 0, "bodies"),
        at_most(f"facets of {name} as told", facets, 0, "facets"),
    ]


def _mirrored(one: Mesh, other: Mesh) -> bool:
    """Whether two meshes are the same numbers but for signs of whole axes: joined alike then."""
    if one.faces.shape != other.faces.shape:
        return False
    a, b = one.triangles, other.triangles
    return all(
        np.array_equal(a[..., i], b[..., i]) or np.array_equal(a[..., i], -b[..., i])
        for i in range(3)
    )


def surface_line(name: str, mesh: Mesh, shells: Shells) -> ProofLine:
    """A line that passes when the shells close a solid."""
    bad = shells.bad_edges
    if bad == 0 and not mesh.volume > 0.0:
        return ProofLine(f"{name} is a closed solid", False, mesh.volume, 0.0, "mm3")
    return at_most(f"{name} is a closed solid", bad, 0, "open edges", shells.where)


def same_file(name: str, found: str, told: str) -> ProofLine:
    """A line that passes when a file has the hash that was told."""
    return at_most(name, float(found != told.lower()), 0, "changed")
