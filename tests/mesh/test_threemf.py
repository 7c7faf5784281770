"""3MF: units, components and transforms; hostile archives are refused.

Files are written here after the 3MF Core Specification 1.3 and the Production Extension 1.1.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest
from mesh_shapes import box

from patternprep.errors import FileFault, PatternprepError, UsageFault
from patternprep.mesh.read.part import read_part
from patternprep.mesh.read.threemf import read_3mf

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
RELS = (
    '<?xml version="1.0"?><Relationships xmlns="http://schemas.openxmlformats.org/package/2006/'
    'relationships"><Relationship Target="/3D/3dmodel.model" Id="r" '
    'Type="http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"/></Relationships>'
)


def mesh_xml(mesh=None) -> str:
    mesh = box((0, 0, 0), (1, 2, 3)) if mesh is None else mesh
    v = "".join(f'<vertex x="{x}" y="{y}" z="{z}"/>' for x, y, z in mesh.vertices.tolist())
    t = "".join(f'<triangle v1="{a}" v2="{b}" v3="{c}"/>' for a, b, c in mesh.faces.tolist())
    return f"<mesh><vertices>{v}</vertices><triangles>{t}</triangles></mesh>"


def model_xml(resources: str, build: str, unit: str = 'unit="millimeter"') -> str:
    return (
        f'<?xml version="1.0"?><model {unit} xmlns="{CORE}" xmlns:p="{PRODUCTION}">'
        f"<resources>{resources}</resources><build>{build}</build></model>"
    )


ONE = f'<object id="1">{mesh_xml()}</object>'
PLAIN = model_xml(ONE, '<item objectid="1"/>')


def package(path: Path, model: str | bytes = PLAIN, **more: str | bytes) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("_rels/.rels", RELS)
        archive.writestr("3D/3dmodel.model", model)
        for name, data in more.items():
            archive.writestr(name, data)
    return path


def read(path: Path, limit: int = 1000):
    return read_3mf(path, facet_limit=limit)


@pytest.mark.parametrize(
    ("unit", "mm"),
    [("", 1.0), ('unit="micron"', 1e-3), ('unit="centimeter"', 10.0), ('unit="inch"', 25.4),
     ('unit="foot"', 304.8), ('unit="meter"', 1000.0)],
)  # fmt: skip
def test_the_unit_is_the_files_own(tmp_path, unit, mm):
    found = read(package(tmp_path / "a.3mf", model_xml(ONE, '<item objectid="1"/>', unit)))
    assert np.allclose(found.bodies[0].size, np.array([1.0, 2.0, 3.0]) * mm)


def test_conflicting_units_are_refused_and_agreeing_ones_taken(tmp_path):
    path = package(tmp_path / "a.3mf", model_xml(ONE, '<item objectid="1"/>', 'unit="inch"'))
    for other in ("cm", "mm"):
        with pytest.raises(UsageFault, match=f"states its own unit, in, which '{other}'"):
            read_part(path, units=other)
    assert read_part(path, units="in").size_mm == pytest.approx((25.4, 50.8, 76.2))
    assert read_part(path).unit == "in"


def test_items_components_and_nested_transforms(tmp_path):
    # Row vectors: a quarter turn about z takes x to y; then a shift. Source: core spec 3.3.
    turn = "0 1 0 -1 0 0 0 0 1 10 0 0"
    resources = ONE + (
        f'<object id="2"><components><component objectid="1" transform="{turn}"/></components>'
        '</object><object id="3"><components><component objectid="2" '
        'transform="2 0 0 0 2 0 0 0 2 0 0 5"/><component objectid="1"/></components></object>'
    )
    build = '<item objectid="3" transform="1 0 0 0 1 0 0 0 1 0 100 0"/><item objectid="1"/>'
    found = read(package(tmp_path / "c.3mf", model_xml(resources, build)))
    assert [b.bounds.tolist() for b in found.bodies] == [
        [[16.0, 100.0, 5.0], [20.0, 102.0, 11.0]],
        [[0.0, 100.0, 0.0], [1.0, 102.0, 3.0]],
        [[0.0, 0.0, 0.0], [1.0, 2.0, 3.0]],
    ]
    assert sum(b.volume for b in found.bodies) == pytest.approx(48.0 + 6.0 + 6.0)


def test_a_mirrored_object_stays_outward(tmp_path):
    build = '<item objectid="1" transform="-1 0 0 0 1 0 0 0 1 0 0 0"/>'
    found = read(package(tmp_path / "m.3mf", model_xml(ONE, build)))
    assert found.bodies[0].volume == pytest.approx(6.0)


def test_bodies_that_touch_are_not_welded_to_each_other(tmp_path):
    build = '<item objectid="1"/><item objectid="1" transform="1 0 0 0 1 0 0 0 1 1 2 0"/>'
    part = read_part(package(tmp_path / "t.3mf", model_xml(ONE, build)))
    assert part.bodies == 2
    assert part.mesh.volume == pytest.approx(12.0)


def test_the_production_extension_s_other_parts(tmp_path):
    build = '<item objectid="1" p:path="/3D/Objects/b.model"/>'
    other = model_xml(ONE, "")
    path = package(tmp_path / "p.3mf", model_xml("", build), **{"3D/Objects/b.model": other})
    assert read(path).bodies[0].facets == 12


def test_supports_are_left_out_and_told(tmp_path):
    resources = ONE + f'<object id="2" type="support">{mesh_xml()}</object>'
    found = read(
        package(
            tmp_path / "s.3mf", model_xml(resources, '<item objectid="1"/><item objectid="2"/>')
        )
    )
    assert len(found.bodies) == 1
    assert "support" in found.warnings[0]


BOMB = (
    '<?xml version="1.0"?><!DOCTYPE m [<!ENTITY a "ha">'
    + "".join(
        f'<!ENTITY {c} "{f"&{b};" * 10}">' for b, c in zip("abcdefgh", "bcdefghi", strict=True)
    )
    + f']><model xmlns="{CORE}">&i;</model>'
)
OUTSIDE = (
    f'<!DOCTYPE m [<!ENTITY x SYSTEM "file:///etc/hostname">]><model xmlns="{CORE}">&x;</model>'
)


@pytest.mark.parametrize(
    ("model", "told"),
    [
        (BOMB, "document type or an entity"),
        (OUTSIDE, "document type or an entity"),
        ("<model", "broken XML"),
        ("", "broken XML"),
        ("<html/>", "no 3MF core model"),
        (model_xml(ONE, ""), "builds nothing"),
        (model_xml(ONE, '<item objectid="7"/>'), "object 7"),
        (model_xml(ONE, "<item/>"), "missing or unreadable"),
        (model_xml(ONE, '<item objectid="1"/>', 'unit="cubit"'), "unknown unit 'cubit'"),
        (model_xml(ONE, '<item objectid="1" transform="1 2 3"/>'), "missing or unreadable"),
        (model_xml(ONE, f'<item objectid="1" transform="{"0 " * 12}"/>'), "flattens"),
        (PLAIN.replace('v1="0"', 'v1="99"', 1), "vertex that is not there"),
        (PLAIN.replace('v1="0"', 'v1="-1"', 1), "vertex that is not there"),
        (PLAIN.replace('x="1.0"', 'x="nan"', 1), "not a finite number"),
        (PLAIN.replace('x="1.0"', 'x="one"', 1), "missing or unreadable"),
        (
            model_xml(
                '<object id="1"><components><component objectid="1"/></components></object>',
                '<item objectid="1"/>',
            ),
            "in a circle",
        ),
        (
            model_xml(ONE, '<item objectid="1"/>').replace(
                "<model ", '<model xmlns:b="http://x.example/beams" requiredextensions="b" '
            ),
            "extension",
        ),
    ],
)
def test_hostile_and_broken_models_are_refused(tmp_path, model, told):
    path = package(tmp_path / "h.3mf", model)
    with pytest.raises(FileFault) as caught:
        read(path)
    assert told in str(caught.value)
    assert "h.3mf" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_components_that_multiply_are_counted_before_they_are_made(tmp_path):
    levels = [ONE]
    for n in range(2, 12):
        ten = f'<component objectid="{n - 1}"/>' * 10
        levels.append(f'<object id="{n}"><components>{ten}</components></object>')
    path = package(tmp_path / "l.3mf", model_xml("".join(levels), '<item objectid="11"/>'))
    with pytest.raises(FileFault, match="places more than 10000 bodies"):
        read(path, 2_000_000)
    empty = model_xml(
        "".join(["<object id='1'><components/></object>", *levels[1:]]), '<item objectid="11"/>'
    )
    with pytest.raises(FileFault, match="places more than 100000 components"):
        read(package(tmp_path / "e.3mf", empty), 2_000_000)


def test_zip_bomb(tmp_path):
    path = package(tmp_path / "z.3mf", PLAIN.encode() + b" " * (64 << 20))
    assert path.stat().st_size < 200_000
    with pytest.raises(FileFault, match="unpacks to far more"):
        read(path)


def test_too_many_facets_stop_while_reading(tmp_path):
    with pytest.raises(FileFault, match="over the limit of 11"):
        read(package(tmp_path / "f.3mf"), 11)


@pytest.mark.parametrize("name", ["../evil.model", "/etc/evil", "a/../../b", "C:/x", "..\\x"])
def test_path_tricks(tmp_path, name):
    path = package(tmp_path / "p.3mf", **{name: "x"})
    with pytest.raises(FileFault, match="outside itself"):
        read(path)
    assert not (tmp_path.parent / "evil.model").exists()


def test_not_a_package(tmp_path):
    with zipfile.ZipFile(tmp_path / "a.3mf", "w") as archive:
        archive.writestr("letter.txt", "x")
    with pytest.raises(FileFault, match="seems to be a zip archive"):
        read_part(tmp_path / "a.3mf")
    good = package(tmp_path / "b.3mf").read_bytes()
    (tmp_path / "b.3mf").write_bytes(good[: len(good) // 2])
    with pytest.raises(FileFault, match="damaged"):
        read_part(tmp_path / "b.3mf")
    flipped = bytearray(good)
    flipped[200] ^= 0xFF
    (tmp_path / "c.3mf").write_bytes(flipped)
    with pytest.raises(FileFault):
        read_part(tmp_path / "c.3mf")


def outcome(path: Path) -> tuple[float | None, str]:
    """(volume, "") or (None, the message); any other error than the project's own escapes."""
    try:
        return read_part(path).mesh.volume, ""
    except PatternprepError as fault:
        return None, fault.message


def test_garbled_archives_never_escape_as_other_errors(tmp_path):
    data = package(tmp_path / "a.3mf").read_bytes()
    rng = np.random.default_rng(4)
    for k in range(80):
        garbled = bytearray(data)
        if k % 2:
            del garbled[int(rng.integers(0, len(data))) :]
        for at in rng.integers(0, max(1, len(garbled)), 3):
            garbled[at : at + 1] = bytes([int(rng.integers(0, 256))])
        (tmp_path / "g.3mf").write_bytes(garbled)
        volume, told = outcome(tmp_path / "g.3mf")
        assert (volume is None) == bool(told)
        assert "\n" not in told
