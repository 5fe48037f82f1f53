"""CSV of fixes and inertial samples."""
