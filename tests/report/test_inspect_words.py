"""Faces of a part in words: what one looks for first is told first, and nothing untrue of it."""

from __future__ import annotations

from typing import Any

from patternprep.report.inspect import inspect_text


def face(name: str, area: float) -> dict[str, Any]:
    curved = not name.startswith("plane")
    return {
        "name": name,
        "kind": name.split()[0],
        "area_mm2": area,
        "point": [0.0, 0.0, 0.0],
        "normal": [0.0, 0.0, 1.0],
        "axis": [0.0, 0.0, 1.0] if curved else None,
        "radius_mm": 5.0 if curved else None,
        "length_mm": 20.0 if curved else None,
        "through": None,
    }


def listed(faces: list[dict[str, Any]], most: int) -> list[str]:
    figures = {
        "part": {"size_mm": [9.0, 9.0, 9.0], "volume_mm3": 1.0, "area_mm2": 1.0, "facets": 4},
        "reading": {
            "file": "a.stl",
            "units": "mm",
            "facets_read": 4,
            "bodies": 1,
            "mended": [],
            "warnings": [],
        },
        "faces": faces,
        "holes": [],
        "partings": [],
    }
    text = inspect_text(figures, most_faces=most)
    assert max(map(len, text.splitlines())) <= 80
    rows = text.split("a point on it, mm\n")[1].splitlines()
    return [row.strip() for row in rows[: rows.index("")]]


def test_bores_and_bosses_come_before_many_small_planes() -> None:
    planes = [face(f"plane {i}", 5.0) for i in range(1, 31)]
    faces = [*planes, face("bore 1", 6400.0), face("boss 1", 1.0), face("cone 1", 900.0)]
    rows = listed(faces, 5)
    names = [" ".join(row.split()[:2]) for row in rows[:-1]]
    assert names == ["bore 1", "boss 1", "plane 1", "plane 2", "cone 1"]
    assert rows[-1] == "and 28 more: --faces 0 lists all."
    assert "bore 1" in listed(faces, 1)[0]
    assert len(listed(faces, 0)) == len(faces)
