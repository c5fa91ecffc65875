"""The records, the work and the money: the Django project."""
