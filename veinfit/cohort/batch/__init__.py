"""Many cases in one run: finding them, working on them in processes, keeping what is done."""
