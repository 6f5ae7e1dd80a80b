"""How fast: every figure beside its peer and its bar, in one run on one machine."""
