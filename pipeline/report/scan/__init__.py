"""The report of one scan: what the catalogue and the store hold, drawn, tabulated and written."""
