"""How often a study of an honest device yields a fault finding, and how often a failure is found."""
