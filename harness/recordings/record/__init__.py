"""What a recording shows, as plain records; the journal and its reports have them too."""
