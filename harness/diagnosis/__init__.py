"""Finding out what is wrong: probes gather evidence, rules turn it into causes.

Knows what field failures look like. ``probes*`` talk to the bus and judge nothing;
``rules*`` judge and talk to nobody: each rule is a pure function of the evidence, so
that it can be tested from evidence written by hand. Times in us, ms and s as named.

Source of causes and symptoms: public reports and device documentation, retold;
common practice where nothing else is said.
"""
