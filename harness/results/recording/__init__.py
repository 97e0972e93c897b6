"""A judged recording as its journal has it: events, record, page."""
