"""Everything written: volumes, ledger, catalogue."""
