"""Reading part files: STL, 3MF, OBJ, PLY and OFF."""
