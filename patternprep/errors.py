"""Every error that patternprep raises on purpose.

One root class; the command line alone turns it into a message and an exit code.
A message is one sentence in the user's words: the file, where, what value, which rule, what next.
"""

from __future__ import annotations

from collections.abc import Sequence

__all__ = [
    "DataFault",
    "FileFault",
    "GeometryFault",
    "KernelFault",
    "MeshFault",
    "PatternprepError",
    "ProofFailed",
    "UsageFault",
    "reason_of",
]


class PatternprepError(Exception):
    """Root of all errors meant for the user.

    ``where`` is a place in mm (x, y, z) when the fault has one; ``exit_code`` is never 0.
    """

    exit_code = 1

    def __init__(self, message: str, *, where: Sequence[float] | None = None) -> None:
        self.message = message
        self.where: tuple[float, ...] | None = (
            None if where is None else tuple(float(c) for c in where)
        )
        super().__init__(message)


class UsageFault(PatternprepError):
    """A command, option or job key was given a value that cannot be taken."""

    exit_code = 2


class FileFault(PatternprepError):
    """A file is absent, of the wrong kind, truncated, hostile, or would be overwritten."""

    exit_code = 3


class MeshFault(PatternprepError):
    """A mesh is not a sound solid and cannot be mended within the stated limits."""

    exit_code = 4


class GeometryFault(PatternprepError):
    """A sound solid on which the asked operation cannot be done as asked."""

    exit_code = 5


class KernelFault(GeometryFault):
    """The solid kernel answered with an error status."""


class DataFault(PatternprepError):
    """A data table or a shop's own data file is wrong, or holds no value for what was asked."""

    exit_code = 6


class ProofFailed(PatternprepError):
    """The written files do not prove what they must."""

    exit_code = 7


def reason_of(error: OSError) -> str:
    """Why the system refused, in its words; libraries raise some without the usual text."""
    return error.strerror or str(error) or type(error).__name__
