"""Proofs about lots whose error rate holds for data like theirs.

A test of normality cannot licence a normal model on a small lot: of 20 exponential values
it passes a third at a level of 1 %, and just those then look capable. So nothing
here rests on such a test of the lot alone.
"""
