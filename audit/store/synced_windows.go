package store

import (
	"path/filepath"

	"golang.org/x/sys/windows"
)

// Marks that Windows itself sets on what is kept in a cloud (File Attribute
// Constants): pinned, unpinned, recall on open, recall on data access.
const cloudMarks = 0x00080000 | 0x00100000 | 0x00040000 | 0x00400000

func syncedFolder(dir string) (string, bool) {
	root, err := windows.UTF16PtrFromString(filepath.VolumeName(dir) + `\`)
	if err == nil && windows.GetDriveType(root) == windows.DRIVE_REMOTE {
		return "network drive " + filepath.VolumeName(dir), true
	}
	for {
		if p, err := windows.UTF16PtrFromString(dir); err == nil {
			if marks, err := windows.GetFileAttributes(p); err == nil && marks&cloudMarks != 0 {
				return "cloud folder " + dir, true
			}
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", false
		}
		dir = up
	}
}
