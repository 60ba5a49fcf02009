"""The living page: a sheet's answers as its settings turn, and the weigh sheet as it is written, on 127.0.0.1 alone."""
