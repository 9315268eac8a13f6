"""The questionnaire on a dealer's site: drafts, the form's pages, and the answer's page."""
