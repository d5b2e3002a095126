"""From parameters to implicit functions, surfaces and label volumes."""
