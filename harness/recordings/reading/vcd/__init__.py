"""Value Change Dump, IEEE Std 1364-2005 clause 18."""
