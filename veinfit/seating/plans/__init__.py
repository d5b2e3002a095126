"""Several seats that close a vein together: where they lie and how likely they seal."""
