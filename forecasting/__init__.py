"""The science: pure Python on arrays and data frames, usable from a notebook."""
