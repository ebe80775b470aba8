"""What a night's edges mean. Pure functions of arrays and tables: no files, no clocks, no clicks of any kind."""
