"""How atria are shaped around their veins, for holding drawn ones beside patients'."""
