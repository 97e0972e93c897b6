"""Plans and fixtures: what to do, on what, and in which order.

Rules: files are read in `loading` and nowhere else; `schema` says what they may
hold; nothing here judges a device. Units stand in the key names (``low_us``,
``for_s``, ``pull_up_ohm``).
"""
