"""The folder as the store: cases, what is asked, states, signatures, the journal."""
