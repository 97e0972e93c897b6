"""CSV as oscilloscopes and logic analysers export it."""
