"""Make the kits of some demo parts and draw the pictures of the README and the docs from them.

python tests/tools/make_pictures.py [FOLDER]      (default docs/pictures)
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

from patternprep.kit.job import Job, build_job
from patternprep.kit.pipeline import make_kit
from patternprep.report.pictures import box_svg, exploded_svg, section_svg

ROOT = Path(__file__).parents[2]
PICTURES = ROOT / "docs" / "pictures"

PARTS: dict[str, tuple[str, dict[str, str]]] = {
    "ribbed_bracket": ("LM25", {"-z": "2 mm", "bore 1": "1.5 mm"}),
    "sluice_link": ("C86500", {}),
    "vee_pulley": ("EN-GJL-250", {"bores": "2 mm"}),
    "flanged_bush": ("C90500", {}),
    "pump_elbow": ("C83600", {}),
}
"""Metal and stock of each part; the bracket's are those of the README's first command."""

WITHOUT_CORES = ("ribbed_bracket",)
"""Shown as a pattern in one piece, its bore left to the mould's own sand."""


def job_of(name: str) -> Job:
    """The job of one part."""
    alloy, stock = PARTS[name]
    values: dict[str, Any] = {
        "part": {"file": str(ROOT / "demo_models" / f"{name}.stl")},
        "alloy": {"name": alloy},
        "stock": [{"face": face, "amount": amount} for face, amount in stock.items()],
        "cores": {"holes": ["none" if name in WITHOUT_CORES else "auto"]},
    }
    return build_job(values, "make_pictures.py")


def pictures_of(name: str, folder: Path) -> dict[str, str]:
    """File name and SVG text of a part's pictures, its kit made in ``folder``."""
    kit = folder / name
    make_kit(job_of(name), kit)
    pictures = {
        f"{name}_apart.svg": exploded_svg(kit),
        f"{name}_section.svg": section_svg(kit),
    }
    if name not in WITHOUT_CORES:
        pictures[f"{name}_box.svg"] = box_svg(kit)
    return pictures


def main() -> None:
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else PICTURES
    target.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix="patternprep-pictures-") as folder:
        for name in PARTS:
            for file, svg in pictures_of(name, Path(folder)).items():
                (target / file).write_text(svg, encoding="utf-8")
                print(f"{target / file}: {len(svg) // 1000} kB")


if __name__ == "__main__":
    main()
