"""What a crew measured: coast-downs, runs, timing slips, dyno sheets, chalk marks; read from the files they have."""
