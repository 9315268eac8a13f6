"""How well the model does on people and bows it has not seen."""
