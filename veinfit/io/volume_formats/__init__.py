"""Label volume files, a family of formats a module, as whole numbers on a placed grid.

NRRD and MetaImage are read here rather than by a library: the one at hand ends the process on
headers that are damaged, takes a per cent sign in the name of a data file as an order to its own
memory, and stops unpacking where it has the numbers it needs, before the check sum that says
whether they are the right ones. Headers of NIfTI are read by a library.
"""
