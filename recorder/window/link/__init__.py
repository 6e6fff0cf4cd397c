"""The adapter, listened to beside the test, and the pressure that a test left on. No Qt."""
