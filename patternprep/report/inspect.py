"""A part in words: what it is, its faces by name, and how it could part."""

from __future__ import annotations

from typing import Any

from patternprep.report.layout import bullets, heading, pairs, sentence, size_text, without_sources

__all__ = ["inspect_text"]


MOST_UNDERCUTS = 6

FATES = {"core": "needs a core", "sand": "made by the mould's sand", "solid": "left for the drill"}
"""What becomes of a hole, in words."""


def inspect_text(figures: dict[str, Any], *, most_faces: int = 20) -> str:
    """What ``inspect`` prints, at most 80 columns wide; ``most_faces`` 0 lists all."""
    blocks = [
        _part(figures),
        heading("Faces: bores, bosses, then the largest of each kind (names are for --stock)"),
        _faces(figures["faces"], most_faces),
        *_holes(figures["holes"]),
        heading("Partings, best first (--pull and --parting decide)"),
        _partings(figures["partings"]),
    ]
    return "\n".join(block for block in blocks if block)


def _part(figures: dict[str, Any]) -> str:
    part, reading = figures["part"], figures["reading"]
    rows = [
        ("part", reading["file"]),
        ("size", f"{size_text(part['size_mm'])}, read as {reading['units']}"),
        ("volume", f"{part['volume_mm3'] / 1000.0:.3f} cm3"),
        ("surface", f"{part['area_mm2'] / 100.0:.2f} cm2"),
        ("facets", f"{reading['facets_read']} read, {part['facets']} kept"),
        ("bodies", str(reading["bodies"])),
        ("soundness", "mended" if reading["mended"] else "sound as it came"),
    ]
    text = pairs(rows)
    if reading["mended"]:
        text += "\n" + bullets(reading["mended"])
    if reading["warnings"]:
        text += heading("Look at this") + "\n" + bullets(reading["warnings"])
    return text


def _faces(faces: list[dict[str, Any]], most: int) -> str:
    shown = _listed(faces, most or len(faces))
    rows = [f"  {'name':<9}{'cm2':>8}  {'what':<39}{'a point on it, mm'}"]
    for face in shown:
        point = ",".join(f"{c + 0.0:.1f}" for c in face["point"])
        rows.append(
            f"  {face['name']:<9}{face['area_mm2'] / 100.0:>8.2f}  {_what(face):<38.38} {point}"
        )
    if len(shown) < len(faces):
        rows.append(f"  and {len(faces) - len(shown)} more: --faces 0 lists all.")
    return "\n".join(row[:80].rstrip() for row in rows)


def _listed(faces: list[dict[str, Any]], most: int) -> list[dict[str, Any]]:
    """Bores and bosses first; the places left are shared by the other kinds, largest faces first.

    The faces of a kind stand together and in the order in which they came.
    """
    first = [face for face in faces if face["kind"] in ("bore", "boss")]
    others = [face for face in faces if face["kind"] not in ("bore", "boss")]
    taken: list[tuple[int, float, str]] = []
    for kind in {face["kind"] for face in others}:
        same = sorted((f for f in others if f["kind"] == kind), key=lambda f: -f["area_mm2"])
        taken += [(rank, -f["area_mm2"], f["name"]) for rank, f in enumerate(same)]
    names = {name for *_, name in sorted(taken)[: max(0, most - len(first))]}
    return [*first[:most], *(face for face in others if face["name"] in names)]


def _holes(holes: list[dict[str, Any]]) -> list[str]:
    """Holes by what would make them, with the reason once for all that share it."""
    if not holes:
        return []
    rows = []
    for reason, made_by in dict.fromkeys((h["reason"], h["made_by"]) for h in holes):
        for hole in (h for h in holes if (h["reason"], h["made_by"]) == (reason, made_by)):
            x, y, z = hole["place_in_part_mm"]
            widths = " and ".join(f"{d:.1f}" for d in hole["diameter_mm"])
            into = f", leads into {', '.join(hole['leads_into'])}" if hole["leads_into"] else ""
            rows.append(
                sentence(
                    f"{hole['name']}: {FATES[made_by]}, mouths {widths} mm wide, at "
                    f"({x:.1f}, {y:.1f}, {z:.1f}){into}",
                    2,
                )
            )
        rows.append(sentence(without_sources(reason), 5))
    head = heading("Holes at the best parting, in green sand (--core decides)")
    return [head, "\n".join(rows)]


def _what(face: dict[str, Any]) -> str:
    if face["kind"] == "plane":
        return "faces " + _direction(face["normal"])
    words = []
    if face["radius_mm"]:
        words.append(f"dia {2.0 * face['radius_mm']:.2f}")
    if face["axis"]:
        words.append("along " + _direction(face["axis"]).lstrip("+"))
    if face["length_mm"]:
        words.append(f"{face['length_mm']:.1f} long")
    if face["through"] is not None:
        words.append("through" if face["through"] else "blind")
    return ", ".join(words) or "free form"


def _direction(vector: list[float]) -> str:
    for axis, name in enumerate("xyz"):
        if abs(abs(vector[axis]) - 1.0) < 1e-6:
            return ("+" if vector[axis] > 0 else "-") + name
    return "(" + ", ".join(f"{c + 0.0:.3f}" for c in vector) + ")"


def _partings(candidates: list[dict[str, Any]]) -> str:
    blocks = []
    for rank, found in enumerate(candidates, start=1):
        plane = "one piece, all in the drag" if found["one_piece"] else "cope and drag"
        blocks.append(
            f"  {rank}. up {_direction(found['pull_in_part'])}, plane at "
            f"{found['offset_mm']:.2f} mm: {plane}"
        )
        blocks.append(
            sentence(
                f"draft adds {found['draft_added_mm3'] / 1000.0:.2f} cm3, undercuts hold "
                f"{found['undercut_mm3'] / 1000.0:.2f} cm3, cores asked {found['cores_asked']}, "
                f"height {found['height_mm']:.1f} mm, cost {found['score']:.3f}",
                5,
            )
        )
        if rank == 1:
            blocks.append(bullets(found["reasons"], 5))
            blocks += _undercuts(found["undercuts"])
    return "\n".join(blocks)


def _undercuts(undercuts: list[dict[str, Any]]) -> list[str]:
    """The largest undercuts by name and place; the advice once for each kind of it."""
    largest = sorted(undercuts, key=lambda u: -u["volume_mm3"])[:MOST_UNDERCUTS]
    lines = []
    for under in largest:
        x, y, z = under["place_in_part_mm"]
        lines.append(
            f"     {under['kind']} at ({x:.1f}, {y:.1f}, {z:.1f}) mm, "
            f"{under['volume_mm3'] / 1000.0:.3f} cm3"
        )
    if len(undercuts) > len(largest):
        lines.append(f"     and {len(undercuts) - len(largest)} smaller ones (--json has all)")
    advice = dict.fromkeys(under["advice"] for under in largest)
    return [*lines, *(bullets([words], 5) for words in advice)]
