"""vatwatch: sits beside an indigo vat, says whether it is fit to dye now, and says so before it stops being fit."""

__version__ = "0.1.0"
