"""The search for a pull and a flat parting: all natural ones roughly, the best few closely."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from patternprep.errors import UsageFault
from patternprep.mesh.mesh import FloatArray, Mesh
from patternprep.pattern.cores.model import Void
from patternprep.pattern.parting.candidate import MachinedFace, PartingCandidate, Vec3
from patternprep.pattern.parting.cavities import Cavity, closed_cavities, with_cavities_told
from patternprep.pattern.parting.cored import CoredHoles, Held
from patternprep.pattern.parting.directions import Axis, natural_axes
from patternprep.pattern.parting.draft_estimate import draft_estimate, filled_draft
from patternprep.pattern.parting.judge import (
    Figures,
    cost,
    machined_areas,
    metal_sentences,
    sentences,
    way_on_part,
)
from patternprep.pattern.parting.line import Line, make_line
from patternprep.pattern.parting.planes import Plane, natural_planes, settle_height
from patternprep.pattern.parting.rooms import Filling, fill_volumes, find_rooms
from patternprep.pattern.parting.survey import Survey, along
from patternprep.pattern.parting.wishes import PartingWish
from patternprep.progress import Progress, silent

__all__ = ["evaluate_parting", "find_partings"]

COARSE_COLUMNS = 2_500
"""Columns of metal that serve to compare all pulls and planes."""
FINE_COLUMNS = 25_000
"""Columns for the figures of the best few: cells of about 1/160 of the part's width."""
_REFINED = 8


@dataclass(frozen=True)
class _Trial:
    """A pull (in its sense) and a plane with its rough cost."""

    axis: Axis
    pull: FloatArray
    plane: Plane
    rough: float


@dataclass(frozen=True)
class _Judged:
    """A trial judged closely: ``offset`` along its own pull, ``sense`` of that to the line."""

    line: Line
    """Measured with the holes filled that get cores."""
    plain: Line
    """Measured on the part itself."""
    cores_counted: bool
    trial: _Trial
    sense: float
    offset: float
    figures: Figures
    filling: Filling
    score: float


def find_partings(
    mesh: Mesh,
    *,
    pulls: Sequence[Vec3] | None = None,
    offsets: Sequence[float] | None = None,
    parting: PartingWish | None = None,
    angle_deg: float = 2.0,
    machined: Sequence[MachinedFace] = (),
    cores: Sequence[Void] = (),
    limit: int = 5,
    progress: Progress = silent,
) -> tuple[PartingCandidate, ...]:
    """The best pulls and flat partings for a finished part, the best first.

    ``pulls`` (directions in part axes that point up in the mould) and ``offsets`` (heights n.x
    along the pull, mm) or a ``parting`` wish restrict the search. ``cores`` are the holes of the
    part (``find_voids`` of it) that may get cores: where a core is due and can be held, such a hole
    counts as a core and not as an undercut. Raises UsageFault when a wished plane leaves no metal
    below it.
    """
    survey = Survey(mesh)
    volume = survey.volume
    holes = CoredHoles(survey, cores)
    progress("looking at natural pulls")
    squares = holes.squares()
    axes = natural_axes(survey, squares) if pulls is None else tuple(_asked(p) for p in pulls)
    senses = (1.0, -1.0) if pulls is None else (1.0,)
    trials: list[_Trial] = []
    for axis in axes:
        trials += _rough_trials(holes, axis, senses, offsets, parting, angle_deg, machined)
    if not trials:
        raise UsageFault(
            "The asked parting leaves no metal below it or misses the part along every pull looked "
            "at; give a height along the pull that lies inside the part, or turn the pull round."
        )
    trials.sort(key=lambda t: t.rough)
    fixed = offsets is not None or (parting is not None and parting.kind != "auto")
    progress("weighing the best partings")
    chosen = _spread_out(trials, survey.size, max(_REFINED, limit), fixed)
    lines: dict[tuple[int, tuple[int, ...]], Line] = {}
    found = [_refine(holes, t, lines, angle_deg, machined, settle=not fixed) for t in chosen]
    found.sort(key=lambda j: j.score)
    least = min(j.figures.undercut for j in found) - _closed_volume(survey)
    best = _without_twins(found, survey.size)[:limit]
    return _with_flat_parting_said([_candidate(j) for j in best], least, volume)


def evaluate_parting(
    mesh: Mesh,
    pull: Vec3,
    offset_mm: float,
    *,
    angle_deg: float = 2.0,
    machined: Sequence[MachinedFace] = (),
    cores: Sequence[Void] = (),
    survey: Survey | None = None,
) -> PartingCandidate:
    """One pull and plane judged as closely as the search judges its best few."""
    survey = Survey(mesh) if survey is None else survey
    axis = _asked(pull)
    z = along(axis.direction, survey.xyz)
    low, high, close = float(z.min()), float(z.max()), 1e-6 * survey.size
    if not low + close < offset_mm <= high + close:
        raise UsageFault(
            f"A parting at {offset_mm:g} mm along the pull leaves no metal below it or misses the "
            f"part, which reaches from {low:.3f} to {high:.3f} mm; give a height between these, "
            "or turn the pull round."
        )
    trial = _Trial(axis, axis.direction, Plane(float(offset_mm), "the asked height"), 0.0)
    return _candidate(
        _refine(CoredHoles(survey, cores), trial, {}, angle_deg, machined, settle=False)
    )


def _asked(pull: Vec3) -> Axis:
    """The asked direction as a line of pull."""
    direction = np.asarray(pull, dtype=np.float64)
    length = float(np.linalg.norm(direction))
    if not np.isfinite(length) or length < 1e-12:
        raise UsageFault(f"The pull {tuple(pull)} has no direction; give three numbers, not all 0.")
    return Axis(direction / length, "the asked direction")


def _rough_trials(
    holes: CoredHoles,
    axis: Axis,
    senses: Sequence[float],
    offsets: Sequence[float] | None,
    parting: PartingWish | None,
    angle_deg: float,
    machined: Sequence[MachinedFace],
) -> list[_Trial]:
    """Every natural or asked plane along a line of pull, in the better sense, roughly judged."""
    lines: dict[tuple[int, ...], Line] = {}
    lines[()] = make_line(holes.survey, axis, COARSE_COLUMNS, holes.survey.coarse)
    levels = holes.levels(axis.direction)
    trials: list[_Trial] = []
    for sense, planes in _planes_by_sense(lines[()], senses, offsets, parting, levels):
        if not planes:
            continue
        heights = np.array([sense * p.offset for p in planes])  # along the axis's own sense
        held = holes.held(axis.direction, heights)
        for key in dict.fromkeys(key for key, _ in held):
            if key not in lines:
                survey = holes.filled(key)
                lines[key] = make_line(survey, axis, COARSE_COLUMNS, survey.coarse)
            own = [k for k, (other, _) in enumerate(held) if other == key]
            line = lines[key]
            fills = fill_volumes(line.columns, heights[own])
            draft, matching = draft_estimate(line, heights[own], angle_deg)
            for i, k in enumerate(own):
                metal = float(draft[i]), float(matching[i]), (float(fills[i]),)
                figures = _figures(
                    line, sense, planes[k].offset, machined, *metal,
                    holes.survey.volume, held[k][1], angle_deg,
                )  # fmt: skip
                trials.append(_Trial(axis, sense * axis.direction, planes[k], cost(figures)))
    return trials


def _planes_by_sense(
    line: Line,
    senses: Sequence[float],
    offsets: Sequence[float] | None,
    parting: PartingWish | None,
    levels: Sequence[float],
) -> list[tuple[float, list[Plane]]]:
    """The planes to try with the axis as it is (1) and turned round (-1), as heights n.x."""
    lowest, highest = line.ends
    close = 1e-6 * line.survey.size
    asked = offsets is not None or (parting is not None and parting.kind != "auto")
    natural = () if asked else natural_planes(line, levels)
    chosen: list[tuple[float, list[Plane]]] = []
    for sense in senses:
        low, high = (lowest, highest) if sense > 0.0 else (-highest, -lowest)
        pull = sense * line.direction
        if offsets is not None:
            planes = [Plane(float(o), "the asked height") for o in offsets]
        elif parting is not None and parting.kind != "auto":
            x, y, w = (float(p) for p in pull)
            wished = parting.offset_along((x, y, w), low, high)
            planes = [] if wished is None else [Plane(wished, "the asked height")]
        else:
            planes = [replace(p, offset=sense * p.offset) for p in natural]
        # snap what differs from an end by rounding only; nothing may lie wholly in the cope
        planes = [
            replace(p, offset=high) if abs(p.offset - high) <= 1e-4 * (high - low) else p
            for p in planes
        ]
        chosen.append((sense, [p for p in planes if low + close < p.offset <= high + close]))
    return chosen


def _figures(
    line: Line,
    sense: float,
    offset: float,
    machined: Sequence[MachinedFace],
    draft: float,
    matching: float,
    rooms: tuple[float, ...],
    part_volume: float,
    cores: tuple[Held, ...],
    angle_deg: float,
) -> Figures:
    """The figures of a plane n.x = offset with n the line's axis times the sense."""
    low, high = sorted(sense * end for end in line.ends)
    one_piece = offset >= high - 1e-6 * line.survey.size
    heavy = (sense * line.heavy_height - low) / max(high - low, 1e-12)
    return Figures(
        part_volume=part_volume,
        draft=draft,
        matching=matching,
        rooms=rooms,
        machined=machined_areas(machined, sense * line.direction),
        heavy_level=float(np.clip(heavy, 0.0, 1.0)),
        footprint=line.columns.footprint,
        above=0.0 if one_piece else high - offset,
        below=offset - low,
        flat_share=line.flat_share(sense * offset, sense),
        one_piece=one_piece,
        openings=line.standing_sand(sense * offset),
        odd_pull=line.axis.odd,
        cores=cores,
        angle_deg=angle_deg,
    )


def _spread_out(trials: list[_Trial], size: float, count: int, fixed: bool) -> list[_Trial]:
    """The first ``count`` that differ: one plane is kept in its better sense only."""
    kept: list[_Trial] = []
    for trial in trials:
        if not fixed and any(_same(trial.pull, trial.plane.offset, k.pull, k.plane.offset, size)
                             for k in kept):  # fmt: skip
            continue
        kept.append(trial)
        if len(kept) == count:
            break
    return kept


def _same(
    pull: FloatArray, offset: float, other: FloatArray, other_offset: float, size: float
) -> bool:
    """The same plane within 1 degree and 0.5 % of the part, whichever side is up."""
    dot = float(np.dot(pull, other))
    return abs(dot) > 0.99985 and abs(offset - np.sign(dot) * other_offset) < 5e-3 * size


def _without_twins(found: list[_Judged], size: float) -> list[_Judged]:
    """Without those that settled on the plane of a better one."""
    kept: list[_Judged] = []
    for j in found:
        if not any(_same(j.trial.pull, j.offset, k.trial.pull, k.offset, size) for k in kept):
            kept.append(j)
    return kept


def _refine(
    holes: CoredHoles,
    trial: _Trial,
    lines: dict[tuple[int, tuple[int, ...]], Line],
    angle_deg: float,
    machined: Sequence[MachinedFace],
    *,
    settle: bool,
) -> _Judged:
    """Judge one trial on the fine raster and the dense surface sample."""
    axis, sense = trial.axis, float(np.sign(trial.pull @ trial.axis.direction))

    def line_with(key: tuple[int, ...]) -> Line:
        if (id(axis), key) not in lines:
            survey = holes.filled(key)
            lines[id(axis), key] = make_line(survey, axis, FINE_COLUMNS, survey.fine)
        return lines[id(axis), key]

    plain = line_with(())
    height = sense * trial.plane.offset
    key, held = holes.held(axis.direction, np.array([height]))[0]
    line = line_with(key)
    if settle and trial.plane.loose:
        height = settle_height(line, height, 0.015 * (line.ends[1] - line.ends[0]))
        key, held = holes.held(axis.direction, np.array([height]))[0]
        line = line_with(key)
    offset = sense * height
    filling = find_rooms(line, height)
    draft, matching = draft_estimate(line, np.array([height]), angle_deg)
    extra = filled_draft(filling, angle_deg) if filling.volumes else 0.0
    metal = float(draft[0]) + extra, float(matching[0]), filling.volumes
    figures = _figures(line, sense, offset, machined, *metal, holes.survey.volume, held, angle_deg)
    counted = bool(holes.hollows)
    return _Judged(line, plain, counted, trial, sense, offset, figures, filling, cost(figures))


def _candidate(judged: _Judged) -> PartingCandidate:
    """The answer's record of one judged trial."""
    line, trial, sense, offset, f = (
        judged.plain, judged.trial, judged.sense, judged.offset, judged.figures,
    )  # fmt: skip
    undercuts = with_cavities_told(judged.filling.names(), _cavities(judged.plain.survey))
    survey, columns = line.survey, line.columns
    under = columns.metal_below(sense * offset)
    total = columns.metal_below(np.inf)
    below = f.part_volume * (under if sense > 0.0 else total - under) / total
    below = f.part_volume if f.one_piece else below
    pull = sense * trial.axis.direction + 0.0
    over = float((line.spot[2] * sense > offset).sum()) * line.sample.weight
    area_above = 0.0 if f.one_piece else over
    area_below = survey.area - area_above
    x, y, z = (float(c) for c in pull)
    return PartingCandidate(
        pull=(x, y, z),
        offset_mm=0.0 if abs(offset) < 1e-12 * survey.size else float(offset),
        up=f"{way_on_part(pull)} points up in the mould",
        down=f"{way_on_part(-pull + 0.0)} lies down in the drag",
        height_above_mm=f.above,
        height_below_mm=f.below,
        height_mm=f.height,
        height_share=f.height_share,
        footprint_mm2=f.footprint,
        draft_added_mm3=f.draft,
        matching_added_mm3=f.matching,
        undercut_mm3=f.undercut,
        undercuts=undercuts,
        cores_asked=len(f.rooms) + len(f.cores),
        deep_openings=f.deep_openings,
        machined_up_mm2=f.machined[0],
        machined_down_mm2=f.machined[1],
        machined_upright_mm2=f.machined[2],
        volume_above_mm3=f.part_volume - below,
        volume_below_mm3=below,
        modulus_above_mm=(f.part_volume - below) / area_above if area_above > 0.0 else 0.0,
        modulus_below_mm=below / area_below if area_below > 0.0 else 0.0,
        flat_back=f.flat_back,
        one_piece=f.one_piece,
        cell_mm=columns.cell,
        score=judged.score,
        reasons=sentences(f, undercuts, trial.axis.what, trial.plane.what),
        metal_reasons=metal_sentences(f, cores_counted=judged.cores_counted),
    )


def _cavities(survey: Survey) -> tuple[Cavity, ...]:
    """Closed rooms of the part, which no parting opens."""
    if "cavities" not in survey.notes:
        survey.notes["cavities"] = closed_cavities(survey.mesh)
    found: tuple[Cavity, ...] = survey.notes["cavities"]
    return found


def _closed_volume(survey: Survey) -> float:
    return sum(cavity.volume_mm3 for cavity in _cavities(survey))


def _with_flat_parting_said(
    best: list[PartingCandidate], least: float, volume: float
) -> tuple[PartingCandidate, ...]:
    """Add to every candidate what a flat parting cannot do, when none draws nearly clean."""
    if least <= 1e-3 * volume:
        return tuple(best)
    said = (
        f"No flat parting that was looked at draws this part: the least fill is {least:.0f} mm3 "
        f"({100.0 * least / volume:.1f} % of the part), so it needs cores, loose pieces or a "
        "stepped parting."
    )
    return tuple(replace(c, reasons=(*c.reasons, said)) for c in best)
