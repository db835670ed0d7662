"""Files of readings in, regular series in canonical units out, with nothing dropped in silence."""
