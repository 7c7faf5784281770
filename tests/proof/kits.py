"""Kits written from closed forms, without the maker of patterns: blocks, rings, stacked lofts."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import stl

from patternprep.mesh.mesh import Mesh

ANGLE = 2.0
CONTRACTION = 0.02
Rings = Sequence[tuple[np.ndarray, float]]


def rectangle(x: float, y: float, centre: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    """Plan ring, anticlockwise, from half sizes."""
    corners = np.array([[x, y], [-x, y], [-x, -y], [x, -y]])
    return corners + np.array(centre)


def circle(radius: float, corners: int = 64) -> np.ndarray:
    angle = np.arange(corners) * 2.0 * np.pi / corners
    return radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)


def joined(*triangles: np.ndarray) -> np.ndarray:
    return np.concatenate(triangles)


def sides(rings: Rings) -> np.ndarray:
    """Facets between stacked rings with equal numbers of corners, outward for rising rings."""
    found = []
    for (low, z0), (high, z1) in pairwise(rings):
        a = np.column_stack([low, np.full(len(low), z0)])
        b = np.column_stack([high, np.full(len(high), z1)])
        a2, b2 = np.roll(a, -1, axis=0), np.roll(b, -1, axis=0)
        found += [np.stack([a, a2, b2], axis=1), np.stack([a, b2, b], axis=1)]
    return np.concatenate(found)


def cap(ring: np.ndarray, z: float, up: bool) -> np.ndarray:
    """A fan over a convex ring."""
    p = np.column_stack([ring, np.full(len(ring), z)])
    fan = np.array([[p[0], p[i], p[i + 1]] for i in range(1, len(p) - 1)])
    return fan if up else fan[:, ::-1]


def annulus(outer: np.ndarray, inner: np.ndarray, z: float, up: bool) -> np.ndarray:
    o = np.column_stack([outer, np.full(len(outer), z)])
    i = np.column_stack([inner, np.full(len(inner), z)])
    o2, i2 = np.roll(o, -1, axis=0), np.roll(i, -1, axis=0)
    flat = np.concatenate([np.stack([o, o2, i2], axis=1), np.stack([o, i2, i], axis=1)])
    return flat if up else flat[:, ::-1]


def loft(rings: Rings) -> np.ndarray:
    """A solid through stacked convex rings."""
    return joined(cap(*rings[0], up=False), sides(rings), cap(*rings[-1], up=True))


def tube(outer: Rings, inner: Rings) -> np.ndarray:
    """A ring-shaped solid; both stacks start and end at the same heights."""
    return joined(
        annulus(outer[0][0], inner[0][0], outer[0][1], up=False),
        sides(outer),
        sides(inner)[:, ::-1],
        annulus(outer[-1][0], inner[-1][0], outer[-1][1], up=True),
    )


def mesh_of(triangles: np.ndarray) -> Mesh:
    """Welded on 32-bit coordinates, as a reader does."""
    flat = np.asarray(triangles, dtype=np.float32).reshape(-1, 3) + np.float32(0.0)
    corners, index = np.unique(flat, axis=0, return_inverse=True)
    return Mesh(corners.astype(np.float64), index.reshape(-1, 3))


def upside_down(triangles: np.ndarray) -> np.ndarray:
    """Mirrored in z = 0, still outward."""
    return triangles[:, ::-1] * np.array([1.0, 1.0, -1.0])


def write_stl(path: Path, triangles: np.ndarray) -> str:
    path.parent.mkdir(parents=True, exist_ok=True)
    body = stl.Mesh(np.zeros(len(triangles), dtype=stl.Mesh.dtype))
    body.vectors[:] = triangles
    body.save(str(path), mode=stl.Mode.BINARY)
    # numpy-stl writes the time into the header
    data = bytearray(path.read_bytes())
    data[:80] = b"\0" * 80
    path.write_bytes(bytes(data))
    return hashlib.sha256(path.read_bytes()).hexdigest()


@dataclass
class KitDraft:
    """What a kit holds before it is written; tests change it to plant a fault."""

    part: np.ndarray
    frame: np.ndarray
    pieces: dict[str, np.ndarray]
    volumes: dict[str, float] = field(default_factory=dict)
    bodies: dict[str, int] = field(default_factory=dict)
    angle: float = ANGLE
    match: str = "taper"
    step_mm: float = 0.0
    stock: list[dict[str, Any]] = field(default_factory=list)
    contraction: float = CONTRACTION
    print_scale: float = 1.0
    walls: list[dict[str, Any]] = field(default_factory=list)

    def write(self, folder: Path) -> Path:
        """Write a kit whose figures agree with its files."""
        factor = float(np.linalg.det(self.frame[:3, :3]))
        part = mesh_of(self.part)
        casting = sum(mesh_of(t).volume for t in self.pieces.values()) / factor
        causes = {"stock": 0.0, "undercut_filled": 0.0, "parting_match": 0.0, **self.volumes}
        causes["draft"] = casting - part.volume - sum(causes.values())
        figures: dict[str, Any] = {
            "version": 1,
            "part": {
                "volume_mm3": part.volume,
                "facets": part.facets,
                "sha256": write_stl(folder / "part.stl", self.part),
            },
            "alloy": {"name": "test metal", "density_g_cm3": 8.0},
            "contraction": {
                "percent": self.contraction * 100.0,
                "basis": "part",
                "per_axis_percent": [self.contraction * 100.0] * 3,
            },
            "frame": {"part_to_mould": self.frame.tolist()},
            "parting": {"match": self.match, "step_mm": self.step_mm},
            "draft": {"angle_deg": self.angle, "corner": "mitred", "walls": self.walls},
            "stock": {"faces": self.stock},
            "volumes_mm3": {"part": part.volume, "casting": casting, **causes},
            "casting": {"volume_mm3": casting, "mass_kg": casting * 8e-6},
            "print": {"scale": self.print_scale},
            "pieces": [self._piece(folder, name) for name in self.pieces],
        }
        (folder / "figures.json").write_text(json.dumps(figures))
        job = f'version = 1\n[contraction]\nvalue = "{self.contraction * 100.0} %"\n'
        (folder / "job.toml").write_text(job)
        return folder

    def _piece(self, folder: Path, name: str) -> dict[str, Any]:
        triangles = self.pieces[name]
        flip = -1.0 if name == "drag" else 1.0
        matrix = np.diag([1.0, flip, flip, 1.0 / self.print_scale]) * self.print_scale
        mesh = mesh_of(triangles)
        printed = triangles * np.diag(matrix)[:3]
        return {
            "name": name,
            "file": f"assembly/{name}.stl",
            "bodies": self.bodies.get(name, 1),
            "facets": mesh.facets,
            "volume_mm3": mesh.volume,
            "sha256": write_stl(folder / "assembly" / f"{name}.stl", triangles),
            "print_file": f"print/{name}.stl",
            "print_matrix": matrix.tolist(),
            "print_sha256": write_stl(folder / "print" / f"{name}.stl", printed),
        }


def frame_of(linear: np.ndarray, shift: Sequence[float] = (0.0, 0.0, 0.0)) -> np.ndarray:
    matrix = np.eye(4)
    matrix[:3, :3] = linear * (1.0 + CONTRACTION)
    matrix[:3, 3] = shift
    return matrix


UPRIGHT = np.eye(3)
ON_ITS_SIDE = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


def in_part_axes(triangles: np.ndarray, frame: np.ndarray) -> np.ndarray:
    """A mould-frame solid back in the part's own axes, finished size."""
    back = np.linalg.inv(frame)
    return triangles @ back[:3, :3].T + back[:3, 3]


def grown(height: float, angle: float = ANGLE) -> float:
    return height * float(np.tan(np.radians(angle)))


def block(turn: np.ndarray = ON_ITS_SIDE) -> KitDraft:
    """A block of 60 x 40 mm, 50 mm up and 20 mm down, the drag tapered to meet the cope."""
    frame = frame_of(turn, (3.0, -4.0, 5.0))
    whole = loft([(rectangle(30, 20), -20.0), (rectangle(30, 20), 50.0)])
    reach = grown(50.0)
    wide = rectangle(30 + reach, 20 + reach)
    cope = loft([(wide, 0.0), (rectangle(30, 20), 50.0)])
    drag = upside_down(loft([(wide, 0.0), (rectangle(30, 20), 20.0)]))
    own = grown(20.0)
    met, alone = (mesh_of(t).volume for t in (drag, _frustum(own)))
    draft = KitDraft(in_part_axes(whole, frame), frame, {"cope": cope, "drag": drag})
    draft.volumes["parting_match"] = (met - alone) / (1.0 + CONTRACTION) ** 3
    return draft


def _frustum(reach: float) -> np.ndarray:
    return loft([(rectangle(30 + reach, 20 + reach), 0.0), (rectangle(30, 20), 20.0)])


def ring_and_post() -> KitDraft:
    """A plate in the drag; on it, in the cope, a ring with a post inside (an island in a hole)."""
    frame = frame_of(UPRIGHT)
    n, height = 48, 24.0
    plate = rectangle_of(n, 40.0)
    base = [(plate, -10.0), (plate, 0.0)]
    ring = [(circle(30, n), 0.0), (circle(30, n), height)]
    hole = [(circle(20, n), 0.0), (circle(20, n), height)]
    post = [(circle(8, n), 0.0), (circle(8, n), height)]
    whole = joined(
        cap(*base[0], up=False),
        sides(base),
        annulus(plate, ring[0][0], 0.0, up=True),
        sides(ring),
        annulus(ring[1][0], hole[1][0], height, up=True),
        sides(hole)[:, ::-1],
        annulus(hole[0][0], post[0][0], 0.0, up=True),
        sides(post),
        cap(*post[1], up=True),
    )
    reach = grown(height) / np.cos(np.pi / n)
    cope = joined(
        tube(
            [(circle(30 + reach, n), 0.0), ring[1]],
            [(circle(20 - reach, n), 0.0), hole[1]],
        ),
        loft([(circle(8 + reach, n), 0.0), post[1]]),
    )
    low = rectangle_of(n, 40.0 + grown(10.0))
    drag = upside_down(loft([(low, 0.0), (plate, 10.0)]))
    draft = KitDraft(in_part_axes(whole, frame), frame, {"cope": cope, "drag": drag})
    draft.bodies["cope"] = 2
    return draft


def block_cope_with_steep_wall(angle: float) -> np.ndarray:
    """The block's cope with its wall on +x at another angle (the foot is drawn in)."""
    reach, short = grown(50.0), grown(50.0, angle)
    foot = np.array(
        [
            [30 + short, 20 + reach],
            [-30 - reach, 20 + reach],
            [-30 - reach, -20 - reach],
            [30 + short, -20 - reach],
        ]
    )
    return loft([(foot, 0.0), (rectangle(30, 20), 50.0)])


def block_cope_with_nub(size: float) -> np.ndarray:
    """The block's cope with an upright nub of size x size x size mm on its top."""
    reach = grown(50.0)
    square = rectangle(size, size)
    return joined(
        cap(rectangle(30 + reach, 20 + reach), 0.0, up=False),
        sides([(rectangle(30 + reach, 20 + reach), 0.0), (rectangle(30, 20), 50.0)]),
        annulus(rectangle(30, 20), square, 50.0, up=True),
        sides([(square, 50.0), (square, 50.0 + size)]),
        cap(square, 50.0 + size, up=True),
    )


def block_cope_with_dent(depth: float) -> np.ndarray:
    """The block's cope with a small pyramid sunk into its top at (5, 3)."""
    reach = grown(50.0)
    ring = rectangle(0.05, 0.05, (5.0, 3.0))
    low = np.array([5.0, 3.0, 50.0 - depth])
    a = np.column_stack([ring, np.full(4, 50.0)])
    pit = np.stack([a, np.roll(a, -1, axis=0), np.broadcast_to(low, (4, 3))], axis=1)
    return joined(
        cap(rectangle(30 + reach, 20 + reach), 0.0, up=False),
        sides([(rectangle(30 + reach, 20 + reach), 0.0), (rectangle(30, 20), 50.0)]),
        annulus(rectangle(30, 20), ring, 50.0, up=True),
        pit,
    )


def block_cope_with_lip(out: float) -> np.ndarray:
    """The block's cope with a lip round its top."""
    reach = grown(50.0)
    slim = rectangle(30 + grown(5.0), 20 + grown(5.0))
    return loft(
        [
            (rectangle(30 + reach, 20 + reach), 0.0),
            (slim, 45.0),
            (rectangle(30 + out, 20 + out), 46.0),
            (rectangle(30, 20), 50.0),
        ]
    )


def block_with_step() -> KitDraft:
    """The block with each half at its own draft: the halves step."""
    draft = block()
    draft.pieces["drag"] = upside_down(_frustum(grown(20.0)))
    draft.volumes = {}
    draft.match = "step"
    draft.step_mm = grown(50.0) - grown(20.0)
    return draft


def block_in_one_piece() -> KitDraft:
    """A block that lies wholly in the drag."""
    frame = frame_of(ON_ITS_SIDE, (1.0, 2.0, 3.0))
    whole = loft([(rectangle(30, 20), -20.0), (rectangle(30, 20), 0.0)])
    return KitDraft(in_part_axes(whole, frame), frame, {"drag": upside_down(_frustum(grown(20)))})


def block_with_stock() -> KitDraft:
    """The block with 1.5 mm on its top and 1 mm on its +x side."""
    draft = block(UPRIGHT)
    top, side = 1.5, 1.0
    rise, out = top * (1.0 + CONTRACTION), side * (1.0 + CONTRACTION)
    reach = grown(50.0 + rise)
    middle = (0.5 * out, 0.0)
    wide = rectangle(30 + 0.5 * out + reach, 20 + reach, middle)
    narrow = rectangle(30 + 0.5 * out, 20, middle)
    draft.pieces = {
        "cope": loft([(wide, 0.0), (narrow, 50.0 + rise)]),
        "drag": upside_down(loft([(wide, 0.0), (narrow, 20.0)])),
    }
    corner = draft.part.reshape(-1, 3)
    low, high = corner.min(axis=0), corner.max(axis=0)
    centre = 0.5 * (low + high)
    draft.stock = [
        {
            "name": "top",
            "kind": "plane",
            "point": [centre[0] + 1.0, centre[1] - 2.0, high[2]],
            "normal": [0.0, 0.0, 1.0],
            "amount_mm": top,
        },
        {
            "name": "side",
            "kind": "plane",
            "point": [high[0], centre[1] + 1.0, centre[2]],
            "normal": [1.0, 0.0, 0.0],
            "amount_mm": side,
        },
    ]
    full = mesh_of(loft([(narrow, -20.0), (narrow, 50.0 + rise)])).volume
    bare = mesh_of(draft.part).volume
    draft.volumes = {"stock": full / (1.0 + CONTRACTION) ** 3 - bare}
    return draft


def bush() -> KitDraft:
    """A bush of 60 mm with a bore of 30 mm along the pull, 2 mm of stock in the bore."""
    n, up, down, stock = 96, 30.0, 30.0, 2.0
    frame = frame_of(UPRIGHT)
    outer, inner = circle(30, n), circle(15, n)
    whole = tube([(outer, -down), (outer, up)], [(inner, -down), (inner, up)])
    reach = grown(up) / np.cos(np.pi / n)
    left = 15.0 - stock * (1.0 + CONTRACTION)
    cope = tube(
        [(circle(30 + reach, n), 0.0), (outer, up)],
        [(circle(left - reach, n), 0.0), (circle(left, n), up)],
    )
    draft = KitDraft(in_part_axes(whole, frame), frame, {"cope": cope, "drag": upside_down(cope)})
    radius = 15.0 / (1.0 + CONTRACTION)
    draft.stock = [
        {
            "name": "bore 1",
            "kind": "bore",
            "point": [radius, 0.0, 0.0],
            "normal": [-1.0, 0.0, 0.0],
            "axis_point": [0.0, 0.0, -10.0],
            "axis": [0.0, 0.0, 1.0],
            "radius_mm": radius,
            "amount_mm": stock,
        }
    ]
    ring = 0.5 * n * np.sin(2.0 * np.pi / n) * (15.0**2 - left**2)
    draft.volumes = {"stock": ring * (up + down) / (1.0 + CONTRACTION) ** 3}
    return draft


def rectangle_of(corners: int, half: float) -> np.ndarray:
    """A square as a ring with many corners, beginning on +x like a circle does."""
    angle = np.arange(corners) * 2.0 * np.pi / corners
    c, s = np.cos(angle), np.sin(angle)
    return half * np.stack([c, s], axis=1) / np.maximum(np.abs(c), np.abs(s))[:, None]


def ball(corners: int = 96, radius: float = 25.0) -> KitDraft:
    """A ball parted at its middle: curved walls that get steep at the parting."""
    frame = frame_of(UPRIGHT, (100.0, -50.0, 0.0))
    angle = np.radians(np.linspace(0.0, 88.0, 45))
    profile = [(radius * np.cos(a), radius * np.sin(a)) for a in angle]
    upper = [(circle(r, corners), z) for r, z in profile]
    rings = [(r, -z) for r, z in upper[:0:-1]] + upper
    tops = [(r, z) for r, z in profile]
    # walls under the angle start at the lowest ring edge that leans enough
    lean = [
        np.degrees(
            np.arctan2(
                (tops[i][0] - tops[i + 1][0]) * np.cos(np.pi / corners), tops[i + 1][1] - tops[i][1]
            )
        )
        for i in range(len(tops) - 1)
    ]
    first = next(i for i, value in enumerate(lean) if value >= ANGLE)
    r0, z0 = tops[first]
    foot = (circle(r0 + grown(z0) / np.cos(np.pi / corners), corners), 0.0)
    cope = loft([foot, *upper[first:]])
    shift = np.array([100.0, -50.0, 0.0])
    pieces = {"cope": cope + shift, "drag": upside_down(cope) + shift}
    return KitDraft(in_part_axes(loft(rings) + shift, frame), frame, pieces)
