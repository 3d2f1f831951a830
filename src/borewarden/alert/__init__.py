"""What an alert says, when somebody is told, and how the mail goes out."""
