"""The proof of a kit from its written files; shares only the mesh reader with the maker."""
