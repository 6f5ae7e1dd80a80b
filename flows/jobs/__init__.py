"""Jobs: submit, watch, cancel, resume, results; plain Python.

Only `flows.jobs.driver` loads Prefect and Dask; listing and cancelling jobs read small files.
"""
