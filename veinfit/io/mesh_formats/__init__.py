"""Surface mesh files, a format a module, as points and polygons.

They are read here rather than by a library: of those at hand one ends the process on a PLY file
that was cut short and on VTK files that are damaged, and takes the rest from unset memory; the
other refuses files that mix triangles with polygons.
"""
