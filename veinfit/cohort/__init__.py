"""Many cases: invented atria with their truth, batches, summaries, agreement."""
