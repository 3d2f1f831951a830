"""What people find at the machine: cautions, steps, what the answers come to, labels for tuning."""
