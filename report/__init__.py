"""From the archive to a reader. Never imports ingest: what passes between them is the archive."""
