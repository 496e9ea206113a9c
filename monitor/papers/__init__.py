"""What is printed of a batch: a label for the can, a sheet for the folder, a checklist for the bench."""
