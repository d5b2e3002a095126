"""The commands, one a module.

Each has ``add(commands)``, which adds its parser to the command line, and
``run(arguments, terminal)``, which does the job and returns the exit code.
"""
