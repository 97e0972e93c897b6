"""From a live bus to a fixture: which device sits in which socket, and the file that says so."""
