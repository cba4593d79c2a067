"""The pure decisions: no file, no clock, no randomness. Imports schemas and nothing else of ours."""
