"""One module a stage of a scan: read, kernel, write."""
