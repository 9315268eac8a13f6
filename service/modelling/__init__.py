"""The model in service: history, fits, versions, the range laid over the fit, the model's page."""
