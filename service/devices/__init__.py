"""Tablets, phones and listeners: enrolment, links, sheets as they come, offline export."""
