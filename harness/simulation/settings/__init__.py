"""The ``simulation:`` section of a fixture, as models."""
