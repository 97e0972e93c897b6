"""The ledger: every unit ever tested, a projection of the journals."""
