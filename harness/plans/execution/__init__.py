"""Running a plan on a fixture: hazard gate, connection, runner, resumption."""
