"""The page: its addresses, what may be done, what is shown."""
