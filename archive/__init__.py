"""Where tables lie on disk: commit, ledger, look-up. Imports schemas and nothing else of ours."""
