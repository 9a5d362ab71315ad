"""What runs and when: intake, the weekly run, returns to sites, and the command line."""
