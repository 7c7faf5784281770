"""The kit folder: it appears whole or not at all."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from patternprep.errors import FileFault, reason_of

__all__ = ["KIT_MARK", "check_target", "staged_folder"]

_FOLDERS = ("assembly", "print")
_FILES = ("part.stl", "figures.json", "pattern.3mf")

KIT_MARK = "figures.json"
"""The file by which a folder is known to be a kit."""


def check_target(out: Path, *, overwrite: bool) -> None:
    """Refuse early to write where something stands that must not be lost.

    Raises FileFault; only a kit or an empty folder is ever replaced, and only when asked.
    """
    if not out.parent.is_dir():
        raise FileFault(f"{out}: the folder {out.parent} does not exist; make it first.")
    if not out.exists() and not out.is_symlink():
        return
    if out.is_symlink() or not out.is_dir():
        raise FileFault(f"{out}: is not a plain folder; choose another name with --out.")
    if not any(out.iterdir()):
        return
    if not (out / KIT_MARK).is_file():
        raise FileFault(
            f"{out}: holds other files and is not a kit, so it is never replaced; "
            "choose another folder with --out."
        )
    if not overwrite:
        raise FileFault(f"{out}: a kit is there already; replace it with --overwrite.")
    foreign = next((path for path in sorted(out.rglob("*")) if not _is_of_a_kit(path, out)), None)
    if foreign is not None:
        raise FileFault(
            f"{out}: holds {foreign.relative_to(out)}, which is no part of a kit and would be "
            "lost; move it away or choose another --out."
        )


def _is_of_a_kit(path: Path, kit: Path) -> bool:
    """True for what a make writes into a kit, and so may replace."""
    relative = path.relative_to(kit)
    if len(relative.parts) == 1:
        if path.is_dir():
            return relative.name in _FOLDERS
        return relative.name in _FILES or relative.suffix == ".toml"
    return len(relative.parts) == 2 and relative.suffix == ".stl" and path.is_file()


@contextmanager
def staged_folder(out: Path, *, overwrite: bool) -> Iterator[Path]:
    """A fresh folder beside ``out`` that takes its place when the block ends well.

    When the block raises, nothing is left behind and an existing kit stays as it was.
    """
    check_target(out, overwrite=overwrite)
    try:
        stage = Path(tempfile.mkdtemp(prefix=f".{out.name}.", suffix=".part", dir=out.parent))
    except OSError as error:
        raise FileFault(
            f"{out}: cannot write in {out.parent} ({reason_of(error)}); choose another --out."
        ) from None
    try:
        yield stage
        stage.chmod(0o755)
        check_target(out, overwrite=overwrite)
        if out.exists():
            old = Path(tempfile.mkdtemp(prefix=f".{out.name}.", suffix=".old", dir=out.parent))
            out.rename(old / out.name)
            try:
                stage.rename(out)
            except BaseException:
                (old / out.name).rename(out)
                old.rmdir()
                raise
            shutil.rmtree(old, ignore_errors=True)
        else:
            stage.rename(out)
    except OSError as error:
        raise FileFault(
            f"{out}: writing the kit failed ({_why(error)}); free space or choose another --out."
        ) from error
    finally:
        if stage.exists():
            shutil.rmtree(stage, ignore_errors=True)


def _why(error: OSError) -> str:
    """The system's reason; a file that was cut short comes without one."""
    reason = reason_of(error)
    return reason if error.strerror else f"the disk took a file in part only: {reason}"
