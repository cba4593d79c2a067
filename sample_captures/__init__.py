"""Our own scenario: an invented shop, its jobs, captures and what they must come to."""
