"""Choosing faces by words: a direction, a name, a kind, a point, or all."""

from __future__ import annotations

import difflib
import math
import re

import numpy as np

from patternprep.errors import UsageFault
from patternprep.mesh.faces import KINDS, Face, FaceSet
from patternprep.mesh.mesh import FloatArray
from patternprep.units import format_point

__all__ = ["AT_MM", "FACING_DEG", "nearest_face", "parse_stock", "select_faces"]

FACING_DEG = 1.0
"""A plane faces a direction when its normal is within this of it."""
AT_MM = 0.5
"""A point names the nearest face within this, mm, or within 0.5 % of the part's diagonal."""

_PLURALS = {
    "planes": "plane",
    "bores": "bore",
    "holes": "bore",
    "bosses": "boss",
    "arcs": "arc",
    "cones": "cone",
    "spheres": "sphere",
    "tori": "torus",
    "toruses": "torus",
    "free": "free",
}
_DIRECTION = re.compile(r"^([+-])([xyz])(?:\s+(top|all))?$")
_NAME = re.compile(r"^([a-z]+)[\s-]*(\d+)$")
_NUMBER = r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][-+]?\d+)?"
_POINT = re.compile(rf"^at\s*\(?\s*({_NUMBER})\s*[,\s]\s*({_NUMBER})\s*[,\s]\s*({_NUMBER})\s*\)?$")
_WAYS = "write '+z', '+z top', 'plane 2', 'bore 1', 'bores', 'at 10,0,35' or 'all'"


def _pieces(text: str) -> list[str]:
    """Split at ';', and at ',' except between the coordinates of 'at x,y,z'."""
    pieces: list[str] = []
    for part in text.split(";"):
        point = _POINT.match(part.strip().lower())
        if point is not None:
            pieces.append(part)
            continue
        bits = part.split(",")
        while bits:
            if bits[0].strip().lower().startswith("at") and len(bits) >= 3:
                joined = ",".join(bits[:3])
                if _POINT.match(joined.strip().lower()):
                    pieces.append(joined)
                    bits = bits[3:]
                    continue
            pieces.append(bits.pop(0))
    return [p.strip() for p in pieces if p.strip()]


def select_faces(faces: FaceSet, text: str) -> tuple[Face, ...]:
    """The faces a text names, each once, in the order named.

    ``+z``, ``-x``: every plane that faces that way within 1 degree; ``+z top``: of these only
    those that lie furthest that way (within 0.01 mm). ``plane 2``, ``bore 1``: one face by name.
    ``bores``, ``planes``: all of a kind. ``at 10,0,35``: the face at that point, mm.
    ``all``: every face. Several are separated by ';' or ','.
    Raises UsageFault, naming what is there, where the text names nothing.
    """
    pieces = _pieces(text)
    if not pieces:
        raise UsageFault(f"No face is named in '{text}'; {_WAYS}.")
    chosen: dict[str, Face] = {}
    for piece in pieces:
        for face in _select_one(faces, piece):
            chosen.setdefault(face.name, face)
    return tuple(chosen.values())


def _select_one(faces: FaceSet, piece: str) -> tuple[Face, ...]:
    words = " ".join(piece.lower().split())
    if words == "all":
        return faces.faces
    direction = _DIRECTION.match(words)
    if direction is not None:
        return _facing(faces, direction.group(1), direction.group(2), direction.group(3) == "top")
    point = _POINT.match(words)
    if point is not None:
        return (_face_at(faces, np.array([float(g) for g in point.groups()])),)
    if words in _PLURALS:
        kind = _PLURALS[words]
        found = faces.of_kind(kind)
        if not found:
            raise UsageFault(f"'{piece}' names no face: the part has {_inventory(faces)}.")
        return found
    name = _NAME.match(words)
    if name is not None:
        kind, number = name.group(1), int(name.group(2))
        kind = _PLURALS.get(kind, "bore" if kind == "hole" else kind)
        for face in faces:
            if face.name == f"{kind} {number}":
                return (face,)
        if kind in KINDS:
            raise UsageFault(
                f"There is no '{kind} {number}': the part has {_inventory(faces)}; "
                "'inspect' lists them."
            )
    valid = ["all", *_PLURALS, *(f.name for f in faces), "+x", "-x", "+y", "-y", "+z", "-z"]
    near = difflib.get_close_matches(words, valid, n=3, cutoff=0.4)
    hint = f"did you mean {' or '.join(repr(n) for n in near)}? " if near else ""
    raise UsageFault(f"'{piece}' names no face: {hint}{_WAYS}.")


def _inventory(faces: FaceSet) -> str:
    """'6 planes (plane 1 to plane 6), 1 bore (bore 1)'."""
    told = []
    for kind in KINDS:
        some = faces.of_kind(kind)
        if len(some) == 1:
            told.append(f"'{some[0].name}'")
        elif some:
            told.append(f"'{some[0].name}' to '{some[-1].name}'")
    return ", ".join(told) if told else "no faces"


def _facing(faces: FaceSet, sign: str, axis: str, top: bool) -> tuple[Face, ...]:
    way = np.zeros(3)
    way["xyz".index(axis)] = 1.0 if sign == "+" else -1.0
    limit = math.cos(math.radians(FACING_DEG))
    found = tuple(f for f in faces.of_kind("plane") if float(np.dot(f.normal, way)) >= limit)
    if not found:
        planes = faces.of_kind("plane")
        if not planes:
            raise UsageFault(f"No plane faces {sign}{axis}: the part has {_inventory(faces)}.")
        best = max(planes, key=lambda f: float(np.dot(f.normal, way)))
        angle = math.degrees(math.acos(max(-1.0, min(1.0, float(np.dot(best.normal, way))))))
        raise UsageFault(
            f"No plane faces {sign}{axis} within {FACING_DEG:g} degree: the nearest, "
            f"'{best.name}', is {angle:.1f} degrees off; name a face that is there."
        )
    if top:
        heights = [float(np.dot(f.point, way)) for f in found]
        found = tuple(f for f, h in zip(found, heights, strict=True) if h >= max(heights) - 0.01)
    return found


def nearest_face(faces: FaceSet, point: FloatArray) -> tuple[Face, float]:
    """(the face nearest to a point, the distance to it in mm); of equally near the smallest."""
    distance = _facet_distances(faces.mesh.triangles, point)
    distance = np.where(faces.face_of_facet >= 0, distance, np.inf)
    least = float(distance.min())
    tied = np.unique(faces.face_of_facet[distance <= least + 1e-6])
    face = min((faces.faces[int(i)] for i in tied), key=lambda f: (f.area_mm2, f.name))
    return face, least


def _facet_distances(corners: FloatArray, point: FloatArray) -> FloatArray:
    """Distance of a point from each triangle (m, 3, 3), mm."""
    a, b, c = corners[:, 0], corners[:, 1], corners[:, 2]
    best = np.full(len(corners), np.inf)
    for start, end in ((a, b), (b, c), (c, a)):
        along = end - start
        size = np.maximum(np.einsum("ij,ij->i", along, along), 1e-300)
        share = np.clip(np.einsum("ij,ij->i", point - start, along) / size, 0.0, 1.0)
        gap = point - start - share[:, None] * along
        np.minimum(best, np.sqrt(np.einsum("ij,ij->i", gap, gap)), out=best)
    ab, ac, ap = b - a, c - a, point - a
    d00 = np.einsum("ij,ij->i", ab, ab)
    d01 = np.einsum("ij,ij->i", ab, ac)
    d11 = np.einsum("ij,ij->i", ac, ac)
    d20 = np.einsum("ij,ij->i", ap, ab)
    d21 = np.einsum("ij,ij->i", ap, ac)
    scale = d00 * d11 - d01 * d01
    v = d11 * d20 - d01 * d21
    w = d00 * d21 - d01 * d20
    above = (scale > 0.0) & (v >= 0.0) & (w >= 0.0) & (v + w <= scale)
    normal = np.cross(ab[above], ac[above])
    size = np.maximum(np.linalg.norm(normal, axis=1), 1e-300)
    height = np.abs(np.einsum("ij,ij->i", ap[above], normal)) / size
    best[above] = np.minimum(best[above], height)
    return best


def _face_at(faces: FaceSet, point: FloatArray) -> Face:
    face, distance = nearest_face(faces, point)
    limit = max(AT_MM, 0.005 * float(np.linalg.norm(faces.mesh.size)))
    if distance > limit:
        raise UsageFault(
            f"No face lies at {format_point(list(point))} within {limit:.2f} mm: the nearest is "
            f"'{face.name}', {distance:.2f} mm away; name it, or give a point on the face, "
            f"such as {format_point(list(face.point))}."
        )
    return face


def parse_stock(text: str) -> tuple[str, str]:
    """('bore 1', '1.5 mm') from 'bore 1=1.5 mm'; the amount is a length or 'table'."""
    selector, equals, amount = text.partition("=")
    selector, amount = selector.strip(), amount.strip()
    if not equals or not selector or not amount or "=" in amount:
        raise UsageFault(
            f"'{text}' does not say how much stock on which face; "
            "write it like '+z=2 mm', 'bore 1=1.5 mm' or 'bores=table'."
        )
    return selector, amount
