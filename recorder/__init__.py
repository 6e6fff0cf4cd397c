"""Records and judges pressure tests of vehicle cooling systems.

Importing this package loads nothing heavy; each room imports what it needs.
"""

__version__ = "0.17.0"
