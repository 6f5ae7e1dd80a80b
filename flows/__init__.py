"""How the pipeline is run and met: cluster, flow, jobs, command line."""
