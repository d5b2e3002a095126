"""The ostium of a vein or trunk, and how firmly it is placed."""
