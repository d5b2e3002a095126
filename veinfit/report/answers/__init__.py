"""What is told of a case and of each vein, gathered once for page and paper."""
