"""Many campaigns at once: on local processes, or on the workers of a Dask cluster."""
