"""Faces and holes of a mesh, found and named."""

from patternprep.mesh.faces.find import find_faces
from patternprep.mesh.faces.model import KINDS, Face, FaceSet
from patternprep.mesh.faces.surface import Surface

__all__ = ["KINDS", "Face", "FaceSet", "Surface", "find_faces"]
