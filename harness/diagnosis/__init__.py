"""Finding out what is wrong: probes gather evidence, rules turn it into causes.

``probes/`` talks to the bus and judges nothing; ``causes/`` judges and talks to nobody:
each rule is a pure function of the evidence, so that it can be tested from evidence
written by hand. Times in us, ms and s as named.

Source of causes and symptoms: public reports and device documentation, retold;
common practice where nothing else is said.
"""
