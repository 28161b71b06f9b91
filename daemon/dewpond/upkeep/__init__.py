"""What people do beside the watering: looking after the system, and papers to take along."""
