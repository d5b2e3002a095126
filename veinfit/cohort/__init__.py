"""Many cases: invented atria drawn, batches run, cohorts summed up, shapes compared."""
