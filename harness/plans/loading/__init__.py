"""From the text of plan and fixture files to models, with the place of every mistake."""
