"""The trade's formulas, pure and vectorised: codes, counting statistics, viscosity, water, loops, purge.

Nothing here reads a file, a port or a setting. Arguments are numbers or NumPy
arrays that broadcast together; results are float64 arrays unless the
docstring says otherwise. Every module names the source of its formulas, their
limits, and the ValueError it raises. Nothing here imports `skidboard`: the
host recomputes what the board says by its own means.
"""
