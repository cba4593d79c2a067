"""Live links, against real peers: pseudo-terminals, sockets, servers, buses."""
