"""Device models, one module a kind; ``registry`` finds them by family code.

A model is logic only: it sees bits, never volts. Its pin (``frontend``) turns line
voltage into bits by its own time base.
"""
