"""What an operation takes of a vCPU's time, and where the lost time went."""
