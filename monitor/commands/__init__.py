"""One module per group of commands. Each has ``add(parsers)``, which describes it, and a function that runs it.

A command returns its exit code: 0 yes, 1 the answer is no (an alarm stands, a route failed), 2 it could not be done.
"""

YES = 0
NO = 1
CANNOT = 2
