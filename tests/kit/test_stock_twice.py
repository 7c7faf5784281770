"""A face that two requests for stock name: the later amount is taken, and that is told."""

from __future__ import annotations

from pathlib import Path

from patternprep.kit.job import build_job
from patternprep.kit.stock import chosen_faces, named_twice
from patternprep.mesh.faces import find_faces
from patternprep.mesh.read.stl import read_stl

BUSH = Path(__file__).parents[2] / "demo_models" / "flanged_bush.stl"
FACES = find_faces(read_stl(BUSH))


def told(*rows: tuple[str, str]) -> tuple[list[str], dict[str, str]]:
    stock = [{"face": face, "amount": amount} for face, amount in rows]
    job = build_job({"part": {"file": "a"}, "alloy": {"name": "LM6"}, "stock": stock}, "here")
    return named_twice(job, FACES), {f.name: text for f, text in chosen_faces(job, FACES)}


def test_two_amounts_on_one_face_are_told_with_both_requests() -> None:
    words, amounts = told(("-z", "1 mm"), ("plane 1", "3 mm"))
    assert amounts["plane 1"] == "3 mm"
    assert len(words) == 1
    for part in ("plane 1", "'-z=1 mm'", "'plane 1=3 mm'", "3 mm, is taken"):
        assert part in words[0]


def test_faces_named_once_or_alike_are_not_told() -> None:
    assert told(("-z", "1 mm"), ("bore 1", "3 mm"))[0] == []
    assert told(("-z", "1 mm"), ("plane 1", "1 mm"))[0] == []


def test_the_amount_that_is_overruled_is_the_one_before() -> None:
    words, amounts = told(("all", "1 mm"), ("planes", "2 mm"), ("plane 1", "3 mm"))
    assert amounts["plane 1"] == "3 mm"
    assert len(words) == 2
    assert "'planes=2 mm' and again as 'plane 1=3 mm'" in words[1]
