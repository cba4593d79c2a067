"""From a gauge to the archive. Never imports report: what passes between them is the archive."""
