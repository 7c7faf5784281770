"""What another alloy means for a kit, in words."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from patternprep.report.kit import kit_text
from patternprep.report.layout import bullets, heading, pairs

__all__ = ["rescale_text"]


def rescale_text(figures: dict[str, Any], out: Path | None) -> str:
    """What ``rescale`` prints, at most 80 columns wide."""
    factors = figures["scale_factors"]
    same = max(factors) - min(factors) < 1e-9
    words = f"{factors[0]:.6f}" if same else ", ".join(f"{f:.6f}" for f in factors) + " (x, y, z)"
    rows = [
        ("from", f"{figures['from']}, {figures['from_plain_name']}"),
        ("to", f"{figures['to']}, {figures['to_plain_name']}"),
        ("new contraction", figures["contraction"]["text"]),
        ("new over old size", words),
        (
            "the old pattern",
            f"would be off by {figures['off_at_largest_mm']:+.3f} mm at the largest size "
            "(positive: too small)",
        ),
    ]
    text = pairs(rows)
    if figures["taken"]:
        text += heading("Look at this") + "\n" + bullets(figures["taken"])
    if figures["kept_by_mere_scaling"]:
        text += heading("Mere scaling of the old files would keep")
        text += "\n" + bullets(figures["kept_by_mere_scaling"])
    if figures["spoilt_by_mere_scaling"]:
        text += heading("Mere scaling of the old files would spoil")
        text += "\n" + bullets(figures["spoilt_by_mere_scaling"])
    if figures["dropped"]:
        text += heading("Not carried over") + "\n" + bullets(figures["dropped"])
    if out is not None:
        text += "\n\n" + kit_text(figures["figures"], out)
    return text
