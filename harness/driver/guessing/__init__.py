"""What a search may send ahead: what is expected, what is likely, what a wrong guess costs.

Arithmetic only; nothing here sends, and nothing here is a finding.
"""
