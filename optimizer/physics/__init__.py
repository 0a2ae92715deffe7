"""Plain SI formulas, each with its source; nothing here knows about parts, sheets or money."""
