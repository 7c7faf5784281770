"""Every planted fault is found, by a line whose name says what is wrong; sound kits pass."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import kits
import numpy as np
import pytest

from patternprep.proof import ProofLine, prove_kit

SOUND: dict[str, Callable[[], kits.KitDraft]] = {
    "block": kits.block,
    "block upright": lambda: kits.block(kits.UPRIGHT),
    "ring and post": kits.ring_and_post,
    "ball": kits.ball,
    "block with stock": kits.block_with_stock,
    "block in one piece": kits.block_in_one_piece,
    "block with a step": kits.block_with_step,
    "bush with a bore": kits.bush,
}


def failed(lines: tuple[ProofLine, ...]) -> set[str]:
    return {line.name for line in lines if not line.passed}


def prove(draft: kits.KitDraft, folder: Path) -> tuple[ProofLine, ...]:
    return prove_kit(draft.write(folder))


@pytest.mark.parametrize("name", SOUND)
def test_sound_kits_pass(name: str, tmp_path: Path) -> None:
    lines = prove(SOUND[name](), tmp_path)
    assert failed(lines) == set()
    assert len(lines) > 20


def test_a_tilted_pose_is_sound(tmp_path: Path) -> None:
    angle = np.radians(37.0)
    turn = kits.ON_ITS_SIDE @ np.array(
        [[np.cos(angle), -np.sin(angle), 0.0], [np.sin(angle), np.cos(angle), 0.0], [0.0, 0.0, 1.0]]
    )
    tilt = np.radians(71.3)
    turn = turn @ np.array(
        [[1.0, 0.0, 0.0], [0.0, np.cos(tilt), -np.sin(tilt)], [0.0, np.sin(tilt), np.cos(tilt)]]
    )
    assert failed(prove(kits.block(turn), tmp_path)) == set()


@pytest.mark.parametrize("shift", [(0.2, 0.0), (0.0, -0.2), (0.15, 0.14)])
@pytest.mark.parametrize("name", ["block", "ring and post", "ball"])
def test_a_half_shifted(name: str, shift: tuple[float, float], tmp_path: Path) -> None:
    draft = SOUND[name]()
    draft.pieces["cope"] = draft.pieces["cope"] + np.array([*shift, 0.0])
    found = failed(prove(draft, tmp_path))
    assert "part within pattern, depth" in found
    if name != "ring and post":
        assert "halves meet on the parting" in found


def test_a_matched_half_shifted_is_found_though_it_still_holds_the_part(tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces["drag"] = draft.pieces["drag"] + np.array([0.2, 0.0, 0.0])
    assert "halves meet on the parting" in failed(prove(draft, tmp_path))


@pytest.mark.parametrize("size", [0.4, 5.0])
def test_a_matched_half_shifted_is_found_on_small_and_tall_patterns(
    size: float, tmp_path: Path
) -> None:
    draft = kits.block()
    draft.part = draft.part * size
    draft.frame[:3, 3] *= size
    draft.pieces = {name: t * size for name, t in draft.pieces.items()}
    draft.volumes = {cause: v * size**3 for cause, v in draft.volumes.items()}
    assert failed(prove(draft, tmp_path / "sound")) == set()
    draft.pieces["drag"] = draft.pieces["drag"] + np.array([0.2, 0.0, 0.0])
    assert "halves meet on the parting" in failed(prove(draft, tmp_path / "shifted"))


@pytest.mark.parametrize("name", ["cope", "drag"])
def test_a_facet_removed(name: str, tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces[name] = np.delete(draft.pieces[name], 5, axis=0)
    assert f"{name} is a closed solid" in failed(prove(draft, tmp_path))


def test_a_facet_turned_over(tmp_path: Path) -> None:
    draft = kits.ball()
    draft.pieces["cope"][150] = draft.pieces["cope"][150, ::-1]
    found = failed(prove(draft, tmp_path))
    assert "cope is a closed solid" in found
    assert "steepest wall of the cope" in found


def test_one_wall_too_steep(tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces["cope"] = kits.block_cope_with_steep_wall(1.0)
    lines = prove(draft, tmp_path)
    found = failed(lines)
    assert "walls of the cope under their angle" in found
    assert "steepest wall of the cope" in found
    steepest = next(line for line in lines if line.name == "steepest wall of the cope")
    assert steepest.figure == pytest.approx(1.0, abs=0.001)
    assert steepest.where is not None
    assert steepest.where[0] > 30.0


def test_a_small_place_too_steep_is_found(tmp_path: Path) -> None:
    """Far below the allowed share of the wall, yet larger than 0.05 mm2."""
    draft = kits.block()
    draft.pieces["cope"] = kits.block_cope_with_nub(0.3)
    draft.bodies["cope"] = 1
    found = failed(prove(draft, tmp_path))
    assert "steepest wall of the cope" in found


def test_halves_swapped(tmp_path: Path) -> None:
    draft = kits.block()
    folder = draft.write(tmp_path)
    cope, drag = folder / "assembly/cope.stl", folder / "assembly/drag.stl"
    a, b = cope.read_bytes(), drag.read_bytes()
    cope.write_bytes(b)
    drag.write_bytes(a)
    found = failed(prove_kit(folder))
    assert {"cope file unchanged", "drag file unchanged"} <= found
    assert {"cope lies above the parting", "drag lies below the parting"} <= found


def test_halves_swapped_and_figures_with_them(tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces = {"cope": draft.pieces["drag"], "drag": draft.pieces["cope"]}
    found = failed(prove(draft, tmp_path))
    assert {"cope lies above the parting", "drag lies below the parting"} <= found
    assert "part within pattern, depth" in found


def test_halves_swapped_by_turning_them_over(tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces = {
        "cope": kits.upside_down(draft.pieces["drag"]),
        "drag": kits.upside_down(draft.pieces["cope"]),
    }
    found = failed(prove(draft, tmp_path))
    assert {"part within pattern, depth", "part within pattern, volume"} <= found


@pytest.mark.parametrize("factor", [0.998, 1.002])
def test_pattern_of_the_wrong_scale(factor: float, tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces = {name: t * factor for name, t in draft.pieces.items()}
    found = failed(prove(draft, tmp_path))
    if factor < 1.0:
        assert "part within pattern, depth" in found
    else:
        assert {"cope beyond its draft hull", "drag beyond its draft hull"} & found


@pytest.mark.parametrize("factor", [0.998, 1.002])
def test_frame_of_the_wrong_scale(factor: float, tmp_path: Path) -> None:
    draft = kits.block()
    draft.frame[:3, :3] *= factor
    assert "frame grows by the contraction" in failed(prove(draft, tmp_path))


def test_everything_of_the_wrong_scale(tmp_path: Path) -> None:
    draft = kits.block()
    draft.frame[:3] *= 1.002
    draft.pieces = {name: t * 1.002 for name, t in draft.pieces.items()}
    assert failed(prove(draft, tmp_path)) == {"frame grows by the contraction"}


def test_a_mirrored_frame(tmp_path: Path) -> None:
    draft = kits.block()
    mirror = np.diag([-1.0, 1.0, 1.0, 1.0])
    draft.part = draft.part[:, ::-1] * np.array([-1.0, 1.0, 1.0])
    draft.frame = draft.frame @ mirror
    assert "frame is right-handed and plain" in failed(prove(draft, tmp_path))


def test_another_part_in_the_kit(tmp_path: Path) -> None:
    folder = kits.block().write(tmp_path / "kit")
    other = kits.ball()
    kits.write_stl(folder / "part.stl", other.part)
    found = failed(prove_kit(folder))
    assert "part file unchanged" in found
    assert "part volume as told" in found
    assert "part within pattern, depth" in found


def test_another_part_in_the_kit_and_figures_with_it(tmp_path: Path) -> None:
    draft = kits.block(kits.UPRIGHT)
    draft.part = draft.part * np.array([1.0, 1.05, 1.0])
    assert "part within pattern, depth" in failed(prove(draft, tmp_path))


def test_a_slimmer_part_in_the_kit(tmp_path: Path) -> None:
    draft = kits.block(kits.UPRIGHT)
    draft.part = draft.part * np.array([1.0, 0.95, 1.0])
    assert "cope beyond its draft hull" in failed(prove(draft, tmp_path))


@pytest.mark.parametrize("dent", [0.05, 0.004])
def test_a_dent_in_the_metal(dent: float, tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces["cope"] = kits.block_cope_with_dent(dent)
    lines = prove(draft, tmp_path)
    found = failed(lines)
    assert "part within pattern, dents" in found
    line = next(line for line in lines if line.name == "part within pattern, dents")
    assert line.figure == pytest.approx(dent, abs=1e-4)
    assert line.where == pytest.approx((5.0, 3.0, 50.0 - dent), abs=1e-3)


def test_an_island_in_a_hole_left_out(tmp_path: Path) -> None:
    draft = kits.ring_and_post()
    ring = 4 * 2 * 48
    draft.pieces["cope"] = draft.pieces["cope"][:ring]
    draft.bodies["cope"] = 1
    found = failed(prove(draft, tmp_path))
    assert {"part within pattern, depth", "part within pattern, volume"} <= found


def test_an_island_in_a_hole_shifted(tmp_path: Path) -> None:
    draft = kits.ring_and_post()
    ring = 4 * 2 * 48
    draft.pieces["cope"][ring:] += np.array([0.2, 0.0, 0.0])
    assert "part within pattern, depth" in failed(prove(draft, tmp_path))


def test_a_body_too_many(tmp_path: Path) -> None:
    draft = kits.ring_and_post()
    draft.bodies["cope"] = 1
    assert "bodies of the cope as told" in failed(prove(draft, tmp_path))


def test_an_undercut_lip(tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces["cope"] = kits.block_cope_with_lip(0.5)
    found = failed(prove(draft, tmp_path))
    assert "vertical lines through the cope" in found
    assert "steepest wall of the cope" in found
    assert "cope beyond its draft hull" in found


def test_a_void_inside(tmp_path: Path) -> None:
    draft = kits.block()
    void = kits.loft([(kits.rectangle(2, 2), 20.0), (kits.rectangle(2, 2), 24.0)])[:, ::-1]
    draft.pieces["cope"] = kits.joined(draft.pieces["cope"], void)
    found = failed(prove(draft, tmp_path))
    assert "vertical lines through the cope" in found
    assert "bodies of the cope as told" in found
    assert "part within pattern, dents" in found


def test_a_second_body_inside_the_first(tmp_path: Path) -> None:
    draft = kits.block()
    inner = kits.loft([(kits.rectangle(2, 2), 20.0), (kits.rectangle(1, 1), 24.0)])
    draft.pieces["cope"] = kits.joined(draft.pieces["cope"], inner)
    draft.bodies["cope"] = 2
    assert "vertical lines through the cope" in failed(prove(draft, tmp_path))


def test_stock_missing_on_a_face(tmp_path: Path) -> None:
    sound = kits.block_with_stock()
    assert len(sound.stock) == 2
    draft = kits.block(kits.UPRIGHT)
    draft.stock = sound.stock
    assert "stock is there, short by" in failed(prove(draft, tmp_path))


@pytest.mark.parametrize("face", [0, 1])
def test_more_stock_told_than_is_there(face: int, tmp_path: Path) -> None:
    draft = kits.block_with_stock()
    draft.stock[face]["amount_mm"] += 0.05
    assert "stock is there, short by" in failed(prove(draft, tmp_path))


def test_too_much_stock_on_top(tmp_path: Path) -> None:
    draft = kits.block_with_stock()
    draft.stock[0]["amount_mm"] -= 0.02
    assert "stock on flat tops, over by" in failed(prove(draft, tmp_path))


def test_stock_missing_in_a_bore(tmp_path: Path) -> None:
    draft = kits.bush()
    draft.stock[0]["amount_mm"] += 0.05
    assert "stock is there, short by" in failed(prove(draft, tmp_path))


def test_a_stocked_face_that_is_not_on_the_part(tmp_path: Path) -> None:
    draft = kits.block_with_stock()
    draft.stock[0]["point"] = [500.0, 0.0, 0.0]
    assert "stocked faces found on the part" in failed(prove(draft, tmp_path))


def test_a_step_that_is_not_told(tmp_path: Path) -> None:
    draft = kits.block_with_step()
    draft.step_mm = 0.3
    assert failed(prove(draft, tmp_path)) == {"halves meet on the parting"}


def test_a_step_where_a_match_is_told(tmp_path: Path) -> None:
    draft = kits.block_with_step()
    draft.match = "taper"
    assert "halves meet on the parting" in failed(prove(draft, tmp_path))


def test_metal_added_all_round(tmp_path: Path) -> None:
    draft = kits.block()
    extra = np.array([1.004, 1.006, 1.0])
    draft.pieces = {name: t * extra for name, t in draft.pieces.items()}
    assert "cope beyond its draft hull" in failed(prove(draft, tmp_path))


def test_a_print_of_the_wrong_size(tmp_path: Path) -> None:
    draft = kits.block()
    folder = draft.write(tmp_path)
    kits.write_stl(folder / "print/cope.stl", draft.pieces["cope"] * 1.002)
    found = failed(prove_kit(folder))
    assert {"print file of the cope unchanged", "print file of the cope is the piece"} <= found


def test_prints_scaled_for_the_printer_are_sound(tmp_path: Path) -> None:
    draft = kits.block()
    draft.print_scale = 1.003
    assert failed(prove(draft, tmp_path)) == set()


def figure_of(lines: tuple[ProofLine, ...], name: str) -> float:
    return next(line.figure for line in lines if line.name == name)


@pytest.mark.parametrize("size", [0.3, 7.0, 30.0])
def test_a_nub_is_told_with_its_own_size(size: float, tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces["cope"] = kits.block_cope_with_nub(size)
    figure = figure_of(prove(draft, tmp_path), "cope beyond its draft hull")
    # the nearest metal of the part lies straight below, or further in where the nub overhangs
    overhang = np.hypot(max(0.0, size - 30.0), max(0.0, size - 20.0))
    assert figure == pytest.approx(np.hypot(size, overhang), rel=0.1)


@pytest.mark.parametrize("out", [3.0, 15.0, 80.0])
def test_a_lip_is_told_with_its_own_width(out: float, tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces["cope"] = kits.block_cope_with_lip(out)
    figure = figure_of(prove(draft, tmp_path), "cope beyond its draft hull")
    assert figure == pytest.approx(np.sqrt(2.0) * out - kits.grown(4.0), rel=0.07)


def test_a_half_far_away_is_told_with_its_distance(tmp_path: Path) -> None:
    draft = kits.block()
    draft.pieces["cope"] = draft.pieces["cope"] + np.array([170.0, 0.0, 0.0])
    lines = prove(draft, tmp_path)
    # from the part's far top edge to the wall of the half, which leans
    wall = 170.0 + 30.0 - 30.0
    assert figure_of(lines, "part within pattern, depth") == pytest.approx(wall, rel=0.01)
    assert figure_of(lines, "cope beyond its draft hull") == pytest.approx(wall, rel=0.03)


def test_a_half_without_a_face_on_the_parting(tmp_path: Path) -> None:
    draft = kits.block()
    lift = np.array([0.0, 0.0, 0.5])
    draft.pieces["cope"] = draft.pieces["cope"] + lift
    assert "both halves have a face on the parting" in failed(prove(draft, tmp_path))
