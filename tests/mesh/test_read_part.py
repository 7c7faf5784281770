"""The part as a whole: units, sizes, limits, figures, and one sentence for each refusal."""

from __future__ import annotations

import os

import numpy as np
import pytest
from mesh_shapes import ascii_stl, binary_stl, box, joined, saved, soup, turned

from patternprep.errors import FileFault, MeshFault, PatternprepError, UsageFault
from patternprep.mesh.mesh import Mesh
from patternprep.mesh.read.part import read_part

PART = soup(box((0, 0, 0), (10, 20, 30)))


def test_figures_of_a_plain_part(tmp_path):
    stages: list[str] = []
    part = read_part(saved(tmp_path / "a.stl", binary_stl(PART)), progress=stages.append)
    assert part.size_mm == (10.0, 20.0, 30.0)
    assert (part.bodies, part.facets_read, part.unit) == (1, 12, "mm")
    assert part.mendings == part.warnings == ()
    assert stages[0] == "Reading a.stl"


@pytest.mark.parametrize(("units", "mm"), [("in", 25.4), ("cm", 10.0), ("m", 1000.0), ("um", 1e-3)])
def test_units_scale_and_are_never_guessed(tmp_path, units, mm):
    path = saved(tmp_path / "a.stl", ascii_stl(PART / 10))
    part = read_part(path, units=units)
    assert part.size_mm == pytest.approx((1.0 * mm, 2.0 * mm, 3.0 * mm))
    assert part.unit == units
    assert read_part(path).size_mm == pytest.approx((1.0, 2.0, 3.0))
    with pytest.raises(UsageFault, match="'cubit' is not a unit"):
        read_part(path, units="cubit")


@pytest.mark.parametrize(
    ("scale", "warned"), [(0.03, True), (0.0334, False), (99.9, False), (100.1, True)]
)
def test_odd_sizes_are_warned_of_with_the_option_to_use(tmp_path, scale, warned):
    part = read_part(saved(tmp_path / "a.stl", binary_stl(PART * np.float32(scale))))
    assert bool(part.warnings) is warned
    if warned:
        assert "--units" in part.warnings[0]
        assert " mm" in part.warnings[0]


def test_a_size_over_ten_metres_is_told_in_plain_figures(tmp_path):
    part = read_part(saved(tmp_path / "a.stl", binary_stl(PART * np.float32(500.0))))
    assert part.warnings[0].startswith("The part is 5000 x 10000 x 15000 mm in size")


def test_an_open_part_is_told_with_its_edges_and_its_place_once(tmp_path):
    path = saved(tmp_path / "a.stl", binary_stl(np.delete(PART, [0, 5, 9, 11], axis=0)))
    with pytest.raises(MeshFault) as caught:
        read_part(path)
    message = caught.value.message
    places = [text.split(" mm")[0] for text in message.split("at (")[1:]]
    assert len(places) == len(set(places)) == 1
    assert message.count(" edges ") == 1
    assert "every edge must be shared by two facets" in message


def test_hollows_are_not_bodies(tmp_path):
    shape = joined(box(), turned(box((1, 1, 1), (4, 4, 4))), box((50, 0, 0), (60, 9, 9)))
    assert read_part(saved(tmp_path / "a.stl", binary_stl(soup(shape)))).bodies == 2


def test_limits(tmp_path):
    path = saved(tmp_path / "a.stl", binary_stl(PART))
    with pytest.raises(FileFault, match="over the limit of 11"):
        read_part(path, facet_limit=11)
    far = saved(tmp_path / "far.stl", binary_stl(PART + np.float32(5e6)))
    with pytest.raises(PatternprepError, match="beyond 1e"):
        read_part(far)
    flat = PART.copy()
    flat[:, :, 1] = 0.0
    with pytest.raises(MeshFault, match=r"is flat \(10 x 0 x 30 mm\)"):
        read_part(saved(tmp_path / "flat.stl", binary_stl(flat)))


def test_a_part_far_from_the_origin_keeps_its_volume(tmp_path):
    ball = joined(box((90000, 0, 0), (90010, 20, 30)))
    part = read_part(saved(tmp_path / "a.stl", binary_stl(soup(ball))))
    assert part.mesh.volume == pytest.approx(6000.0)


def outcome(path) -> tuple[float | None, str]:
    """(volume, "") or (None, the message); any other error than the project's own escapes."""
    try:
        return read_part(path).mesh.volume, ""
    except PatternprepError as fault:
        return None, fault.message


def test_every_byte_cut_from_the_end_is_refused_or_changes_nothing(tmp_path):
    for name, data in (("a.stl", binary_stl(PART)), ("b.stl", ascii_stl(PART, "x"))):
        for cut in range(1, len(data), 37):
            volume, told = outcome(saved(tmp_path / name, data[:-cut]))
            if volume is None:
                assert name in told
                assert "\n" not in told
            else:
                assert volume == pytest.approx(6000.0)


def test_garbled_bytes_never_escape_as_other_errors(tmp_path):
    rng = np.random.default_rng(11)
    for name, data in (("a.stl", binary_stl(PART)), ("b.stl", ascii_stl(PART))):
        for _ in range(60):
            garbled = bytearray(data)
            for at in rng.integers(0, len(data), 4):
                garbled[at] = int(rng.integers(0, 256))
            volume, told = outcome(saved(tmp_path / name, bytes(garbled)))
            assert (volume is None) == bool(told)


def test_the_mesh_handed_out_cannot_be_changed(tmp_path):
    part = read_part(saved(tmp_path / "a.stl", binary_stl(PART)))
    with pytest.raises(ValueError, match="read-only"):
        part.mesh.vertices[0, 0] = 1.0
    assert isinstance(part.mesh, Mesh)


def test_what_is_no_regular_file_is_refused(tmp_path):
    os.mkfifo(tmp_path / "pipe.stl")
    with pytest.raises(FileFault, match="no regular file"):
        read_part(tmp_path / "pipe.stl")
    with pytest.raises(FileFault, match="is a folder"):
        read_part(tmp_path)


def test_text_far_too_large_for_the_limit_is_refused_unread(tmp_path):
    path = saved(tmp_path / "a.stl", ascii_stl(PART) + b"\n" * (3 << 20) + b"endsolid\n")
    with pytest.raises(FileFault, match="too large \\(3 MB\\) for the limit of 100 facets"):
        read_part(path, facet_limit=100)


def test_thousands_of_bodies_are_refused(tmp_path):
    at = np.arange(4100)
    boxes = (
        soup(box((0, 0, 0), (1, 1, 1)))[None]
        + np.stack([at % 64 * 2, at // 64 * 2, 0 * at], axis=1).astype(np.float32)[:, None, None]
    )
    with pytest.raises(MeshFault, match="4100 separate shells"):
        read_part(saved(tmp_path / "a.stl", binary_stl(boxes.reshape(-1, 3, 3))))
