"""Sound: a circuit becomes coefficients, coefficients become samples. The only importer of numba."""
