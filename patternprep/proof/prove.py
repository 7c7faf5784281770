"""Prove a kit from its files alone."""

from __future__ import annotations

from pathlib import Path

from patternprep.progress import Progress, silent
from patternprep.proof.boxes import box_lines
from patternprep.proof.causes import cause_lines
from patternprep.proof.contain import containment_lines
from patternprep.proof.core_told import core_told_lines
from patternprep.proof.cores import core_lines
from patternprep.proof.draws import draft_lines, interval_lines
from patternprep.proof.excess import excess_lines
from patternprep.proof.files import read_kit
from patternprep.proof.line import ProofLine
from patternprep.proof.meet import meeting_lines
from patternprep.proof.model import Scene
from patternprep.proof.prints import print_lines
from patternprep.proof.size import frame_lines
from patternprep.proof.sound import file_lines
from patternprep.proof.stock import stock_lines
from patternprep.proof.told import told_lines
from patternprep.proof.volumes import volume_lines

__all__ = ["prove_kit"]

_STAGES = (
    ("proving size and frame", frame_lines),
    ("proving that the part lies within the pattern", containment_lines),
    ("proving the machining stock", stock_lines),
    ("proving the draft", draft_lines),
    ("proving that the halves draw", interval_lines),
    ("proving that the halves meet", meeting_lines),
    ("proving that no more than draft was added", excess_lines),
    ("proving the cores", core_lines),
    ("proving the core boxes", box_lines),
    ("proving the figures of cores", core_told_lines),
    ("proving the volumes", volume_lines),
    ("proving the causes apart", cause_lines),
    ("proving the print files", print_lines),
    ("proving what else is told", told_lines),
)


def prove_kit(folder: Path, *, progress: Progress = silent) -> tuple[ProofLine, ...]:
    """All lines of the proof of a kit; it is proved when every one passed.

    Reads part.stl, job.toml, figures.json, the meshes under assembly/ and print/, and the other
    files that figures.json gives a hash of. Raises FileFault for files that are absent, damaged
    or of an unknown version. Places are in the mould frame, mm.
    """
    folder = Path(folder)
    kit = read_kit(folder, progress)
    progress("proving the files")
    lines = file_lines(kit)
    scene = Scene(kit)
    for stage, prove in _STAGES:
        progress(stage)
        lines += prove(scene)
    return tuple(lines)
