"""The wall for other people's tools: cells and spots as CSV, lines as DXF, the surface as PLY."""
