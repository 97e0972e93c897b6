"""What evidence shows: named observables, each with counts and an exact interval."""
