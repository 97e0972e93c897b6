"""The JSON that commands answer with; ``slotproof schema output-COMMAND`` prints each."""
