package store

import "os"

func syncedFolder(dir string) (string, bool) {
	table, err := os.ReadFile("/proc/self/mountinfo")
	if err != nil {
		return "", false
	}
	return mountKind(string(table), dir)
}
