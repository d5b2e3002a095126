"""Label volume files, a family of formats a module, as whole numbers on a placed grid.

Numbers are read by libraries. What these leave open is looked at here first: what a
header must state, how large a volume may be, and whether packed data are whole, for a
library that has the numbers it needs does not look whether they are the right ones.
"""
