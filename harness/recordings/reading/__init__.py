"""Files of oscilloscopes and logic analysers, as chunks of edges."""
