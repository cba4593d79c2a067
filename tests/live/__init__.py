"""Links against real peers: pseudo-terminals, servers, and gauges that are simulated outside the program."""
