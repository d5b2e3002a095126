"""The working place for people who do not type commands: a folder of cases and a local page."""
