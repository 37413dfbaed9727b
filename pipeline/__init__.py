"""lessonwright: from a tab, a chord chart and a recorded take to a whole release set."""

__version__ = "0.1.0"
