"""How good readings are: readings beside labels, field by field, with intervals, slots, calibration and agreement."""
