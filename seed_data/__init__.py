"""An invented maker, three invented dealers and 600 invented trials, for demonstrations and for measuring the model."""
