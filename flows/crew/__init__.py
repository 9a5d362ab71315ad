"""Several machines at one network's run: a leader, a scheduler (Dask's), and workers."""
