//go:build !linux && !darwin && !windows

package store

// syncedFolder: nothing is known about other systems.
func syncedFolder(string) (string, bool) { return "", false }
