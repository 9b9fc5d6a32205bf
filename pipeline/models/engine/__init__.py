"""The exact mixed-model engine: numpy, scipy and nothing else of the package.

`rows` is what it is given, `solver.fit_rows` fits it, `inference` reads the fit.
"""
