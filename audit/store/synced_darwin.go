package store

import (
	"golang.org/x/sys/unix"
)

func syncedFolder(dir string) (string, bool) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil || st.Flags&unix.MNT_LOCAL != 0 {
		return "", false
	}
	return unix.ByteSliceToString(st.Fstypename[:]) + " file system at " + unix.ByteSliceToString(st.Mntonname[:]), true
}
