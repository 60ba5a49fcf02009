"""The commands, a file for each family. Each is a thin caller of study and show."""
