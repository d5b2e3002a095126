"""What is done in processes of its own: looking into files, runs, reviews, exports."""
