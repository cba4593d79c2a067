"""The contract: what lies on disk and what a shop writes. Imports nothing of ours."""
