"""What every room may know: types, notes, quantities, units, errors, geometry, cells, kernels."""
