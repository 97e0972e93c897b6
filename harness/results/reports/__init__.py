"""Projections of a run record: JUnit XML, HTML, terminal table, live page."""
