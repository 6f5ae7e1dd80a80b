"""Measurements that are run by hand: `python -m tests.benchmarks.<name> --help`."""
