"""What a person sees in the open treadmill recordings, against what the program calls."""
