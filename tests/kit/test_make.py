"""The main job end to end: a demo part in, a proved kit out."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from patternprep.errors import FileFault, ProofFailed, UsageFault
from patternprep.kit.job import Job, build_job, load_job
from patternprep.kit.pipeline import estimate_part, make_kit
from patternprep.mesh.check import require_sound
from patternprep.mesh.faces import find_faces
from patternprep.mesh.kernel import Solid
from patternprep.mesh.read.stl import read_stl
from patternprep.mesh.write import write_stl
from patternprep.proof import prove_kit

DEMO = Path(__file__).parents[2] / "demo_models"

JOBS: dict[str, dict[str, Any]] = {
    "bearing_cap": {"alloy": "EN-GJL-250", "stock": {}},
    "flanged_bush": {"alloy": "C90500", "stock": {}},
    "handwheel": {"alloy": "EN-GJL-250", "stock": {}},
    "pump_elbow": {"alloy": "C83600", "stock": {"-x": "2 mm", "-y": "2 mm"}},
    "ribbed_bracket": {"alloy": "LM25", "stock": {"-z": "table"}},
    "sluice_link": {"alloy": "C86500", "stock": {}},
    "vee_pulley": {"alloy": "EN-GJL-250", "stock": {"bores": "2 mm"}},
}


def job_for(name: str, **sections: Any) -> Job:
    row = JOBS[name]
    values: dict[str, Any] = {
        "part": {"file": str(DEMO / f"{name}.stl")},
        "alloy": {"name": row["alloy"]},
        "stock": [{"face": face, "amount": amount} for face, amount in row["stock"].items()],
    }
    return build_job(values | sections, "the test")


@pytest.fixture(scope="module")
def kits(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("kits")


@pytest.mark.parametrize("name", JOBS)
def test_each_demo_part_gives_a_proved_kit(name: str, kits: Path) -> None:
    out = kits / name
    figures = make_kit(job_for(name), out)
    assert figures["proof"]
    assert all(row["passed"] for row in figures["proof"])
    lines = prove_kit(out)  # again, by itself, as `check` does
    assert all(line.passed for line in lines)
    assert json.loads((out / "figures.json").read_text(encoding="utf-8")) == figures
    for piece in figures["pieces"]:
        for key in ("file", "print_file"):
            require_sound(read_stl(out / piece[key]), piece[key])
    causes = ("part", "stock", "left_solid", "undercut_filled", "draft", "parting_match")
    causes += ("box_draft", "rounding")
    volumes = figures["volumes_mm3"]
    assert sum(volumes[c] for c in causes) == pytest.approx(volumes["casting"], rel=1e-12)
    assert abs(volumes["rounding"]) < 1e-5 * volumes["casting"]
    charge = figures["charge"]
    assert charge["mass_kg"] > figures["pour"]["poured_kg"] > figures["casting"]["mass_kg"]


def test_the_kits_own_job_gives_the_same_bytes(tmp_path: Path) -> None:
    first, second = tmp_path / "first", tmp_path / "second"
    make_kit(job_for("ribbed_bracket"), first)
    make_kit(load_job(first / "job.toml"), second)
    names = sorted(p.relative_to(first) for p in first.rglob("*") if p.is_file())
    assert names == sorted(p.relative_to(second) for p in second.rglob("*") if p.is_file())
    assert {p.as_posix() for p in names} == {
        "assembly/cope.stl",
        "assembly/core-1.stl",
        "assembly/drag.stl",
        "figures.json",
        "job.toml",
        "part.stl",
        "pattern.3mf",
        "print/cope.stl",
        "print/core-1-box-a.stl",
        "print/core-1-box-b.stl",
        "print/drag.stl",
    }
    for name in names:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


def test_plane_faces_and_bores_come_out_right_to_5_micrometres(tmp_path: Path) -> None:
    """The pattern's faces, measured on the written files, against part x (1 + s) plus stock."""
    out = tmp_path / "kit"
    figures = make_kit(job_for("ribbed_bracket", cores={"holes": ["none"]}), out)
    factor = 1.0 + figures["contraction"]["percent"] / 100.0
    drag = read_stl(out / "assembly" / "drag.stl")
    amount = figures["stock"]["faces"][0]["amount_mm"]
    part = read_stl(out / "part.stl")
    assert drag.size[2] == pytest.approx((part.size[2] + amount) * factor, abs=0.005)
    levels = np.unique(np.round(drag.vertices[:, 2], 4))
    for face in find_faces(part).of_kind("plane"):
        if abs(face.normal[2] - 1.0) < 1e-9:  # faces that look away from the parting
            height = (face.point[2] + amount) * factor
            assert np.abs(levels + height).min() < 0.005, face.name


def test_a_kit_is_not_replaced_and_a_failure_leaves_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "kit"
    make_kit(job_for("bearing_cap"), out)
    before = (out / "figures.json").read_bytes()
    with pytest.raises(FileFault, match="--overwrite"):
        make_kit(job_for("bearing_cap"), out)

    import patternprep.proof

    good = patternprep.proof.prove_kit

    def spoilt(folder: Path, **options: Any) -> Any:
        path = folder / "assembly" / "drag.stl"
        data = bytearray(path.read_bytes())
        data[84 + 12 : 84 + 16] = np.float32(1.0).tobytes()
        path.write_bytes(bytes(data))
        return good(folder, **options)

    monkeypatch.setattr(patternprep.proof, "prove_kit", spoilt)
    with pytest.raises(ProofFailed, match="no kit was written"):
        make_kit(job_for("bearing_cap"), out, overwrite=True)
    assert (out / "figures.json").read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["kit"]


def test_the_printers_size_error_touches_print_only(tmp_path: Path) -> None:
    plain, grown = tmp_path / "plain", tmp_path / "grown"
    make_kit(job_for("bearing_cap"), plain)
    make_kit(job_for("bearing_cap", printer={"size_error": "0.4 %"}), grown)
    name = "assembly/drag.stl"
    assert (plain / name).read_bytes() == (grown / name).read_bytes()
    sizes = [read_stl(kit / "print" / "drag.stl").size for kit in (plain, grown)]
    assert sizes[1] * 1.004 == pytest.approx(sizes[0], abs=1e-3)


def test_a_contraction_that_is_given_goes_before_the_book(tmp_path: Path) -> None:
    rows = (("1.9 %", "part", 1.019), ("2 %", "pattern", 1 / 0.98), ("1/4 in/ft", "part", 49 / 48))
    for number, (text, basis, factor) in enumerate(rows):
        out = tmp_path / f"kit{number}"
        figures = make_kit(job_for("bearing_cap", contraction={"value": text, "basis": basis}), out)
        part, drag = read_stl(out / "part.stl"), read_stl(out / "assembly" / "drag.stl")
        assert drag.size[2] == pytest.approx(part.size[2] * factor, abs=0.005)
        assert figures["contraction"]["percent"] == pytest.approx((factor - 1.0) * 100.0)


def test_a_metal_master_contracts_twice(tmp_path: Path) -> None:
    out = tmp_path / "kit"
    figures = make_kit(
        job_for("bearing_cap", master={"alloy": "LM25", "contraction": "1.3 %"}), out
    )
    s = figures["contraction"]["percent"] / 100.0
    part, drag = read_stl(out / "part.stl"), read_stl(out / "assembly" / "drag.stl")
    assert drag.size[2] == pytest.approx(part.size[2] * (1 + s) * 1.013, abs=0.005)


@pytest.mark.parametrize(
    ("axes", "pull", "along_z"), [("part", "+z", 2), ("part", "+x", 2), ("mould", "+x", 0)]
)
def test_a_masters_stock_is_met_along_each_axis_of_its_own_contraction(
    tmp_path: Path, axes: str, pull: str, along_z: int
) -> None:
    block = tmp_path / "block.stl"
    write_stl(block, Solid.box((0, 0, 0), (60, 50, 40)).to_mesh())
    figures = estimate_part(
        build_job(
            {
                "part": {"file": str(block)},
                "alloy": {"name": "LM25"},
                "parting": {"pull": pull},
                "contraction": {"value": "2 %", "basis": "pattern", "z": "1 %", "axes": axes},
                "master": {"alloy": "LM6", "stock": "1 mm"},
            },
            "the test",
        )
    )
    amounts = {
        int(np.argmax(np.abs(face["normal"]))): face["amount_mm"]
        for face in figures["stock"]["faces"]
    }
    assert len(figures["stock"]["faces"]) == 6
    # 1 mm on the master is 0.99 mm along the axis that contracts by 1 % of the pattern
    for axis, amount in amounts.items():
        assert amount == pytest.approx(0.99 if axis == along_z else 0.98, abs=1e-9)


def test_loose_bodies_are_told_to_need_a_board(tmp_path: Path) -> None:
    two = tmp_path / "two.stl"
    box = Solid.box((0, 0, 0), (30, 20, 10))
    write_stl(two, (box + box.translate((90, 0, 0))).to_mesh())
    job = build_job({"part": {"file": str(two)}, "alloy": {"name": "LM25"}}, "the test")
    told = [text for text in estimate_part(job)["warnings"] if "separate bodies" in text]
    assert len(told) == 1
    assert "The drag is 2 separate bodies" in told[0]
    assert "board" in told[0]


def test_a_plane_without_a_pull_and_a_part_above_the_plane_are_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageFault, match="--pull"):
        make_kit(job_for("bearing_cap", parting={"plane": "10 mm"}), tmp_path / "a")
    with pytest.raises(UsageFault, match="outside"):
        make_kit(job_for("bearing_cap", parting={"pull": "+z", "plane": "900 mm"}), tmp_path / "b")
    assert list(tmp_path.iterdir()) == []


def test_a_shops_own_alloys_travel_with_the_kit(tmp_path: Path) -> None:
    shop = tmp_path / "shop.toml"
    shop.write_text(
        'version = 1\n[[alloy]]\nid = "mill bronze"\nname = "the mill\'s own bronze"\n'
        'family = "tin bronze"\ncontraction_percent = 1.7\ndensity_solid_g_cm3 = 8.7\n',
        encoding="utf-8",
    )
    out = tmp_path / "kit"
    job = job_for("bearing_cap", alloy={"name": "mill bronze", "shop_file": str(shop)})
    figures = make_kit(job, out)
    assert figures["contraction"]["percent"] == pytest.approx(1.7)
    shutil.rmtree(tmp_path / "kit2", ignore_errors=True)
    again = make_kit(load_job(out / "job.toml"), tmp_path / "kit2")
    assert again["contraction"] == figures["contraction"]


def test_rapping_makes_the_plan_smaller_by_its_figure_and_nothing_else(tmp_path: Path) -> None:
    plain, rapped = tmp_path / "plain", tmp_path / "rapped"
    make_kit(job_for("bearing_cap"), plain)
    make_kit(job_for("bearing_cap", rapping={"per_side": "0.3 mm"}), rapped)
    name = "assembly/drag.stl"
    before, after = (read_stl(kit / name).size for kit in (plain, rapped))
    assert before - after == pytest.approx([0.6, 0.6, 0.0], abs=0.005)


def test_a_camber_bows_the_pattern_and_is_proved(tmp_path: Path) -> None:
    out = tmp_path / "kit"
    camber = {"height": "2 mm", "along": "x", "toward": "y"}
    none = {"cores": {"holes": ["none"]}}
    figures = make_kit(job_for("ribbed_bracket", camber=camber, stock=[], **none), out)
    plain = make_kit(job_for("ribbed_bracket", stock=[], **none), tmp_path / "plain")
    assert figures["camber"]["height_mm"] == pytest.approx(
        2.0 * figures["contraction"]["total_factors"][0]
    )
    assert figures["casting"]["volume_mm3"] == pytest.approx(
        plain["casting"]["volume_mm3"], rel=2e-3
    )


def test_a_plane_a_hair_below_the_face_lies_in_the_face(tmp_path: Path) -> None:
    """47.9999 mm on a part 48 mm tall is no skin of 0.0001 mm in the cope."""
    figures = make_kit(
        job_for("bearing_cap", parting={"pull": "-z", "plane": "-0.001 mm"}), tmp_path / "kit"
    )
    assert figures["parting"]["one_piece"]
    assert figures["parting"]["offset_mm"] == pytest.approx(0.0, abs=1e-6)


def test_rapping_by_the_old_rule_takes_the_contraction_off_the_plan(tmp_path: Path) -> None:
    """Under a foot, rapping makes up for the shrinkage (J. Richards, Workshop Manipulation)."""
    out = tmp_path / "kit"
    make_kit(job_for("bearing_cap", rapping={"per_side": "rule"}), out)
    part, drag = read_stl(out / "part.stl"), read_stl(out / "assembly" / "drag.stl")
    s = 0.0104
    assert drag.size[0] == pytest.approx(part.size[0] * (1 - s * s), rel=2e-3)


def test_stock_beyond_reason_is_refused(tmp_path: Path) -> None:
    with pytest.raises(UsageFault, match="quarter"):
        make_kit(job_for("bearing_cap", stock=[{"face": "-z", "amount": "1 m"}]), tmp_path / "kit")
