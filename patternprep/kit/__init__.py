"""The kit: the pipeline that makes it, its job file, its figures and its folder."""
