package store

import (
	"path/filepath"
	"strings"
)

// SyncedFolder says whether a folder lies where another program or machine may
// change, delay or copy files behind the ledger's back, and gives a name for
// it as the system does. It asks the system only, and knows no product: the
// kind of file system (Linux: one served over the network or by a user
// program; macOS: one that is not local; Windows: a network drive, or a folder
// that the system itself marks as kept in a cloud). A program that watches an
// ordinary local folder and copies it elsewhere leaves no such mark, so "no"
// is no proof; the documents of a bench must say so. The folder need not
// exist: then the nearest one above it counts.
func SyncedFolder(dir string) (name string, yes bool) {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return "", false
	}
	for {
		if real, err := filepath.EvalSymlinks(dir); err == nil {
			return syncedFolder(real)
		}
		up := filepath.Dir(dir)
		if up == dir {
			return "", false
		}
		dir = up
	}
}

// mountKind finds the file system of a path in Linux's table of mounts
// (proc_pid_mountinfo(5)) and says whether it is one of the kinds above. The
// root file system never counts: a machine may as a whole be served by a
// network or by a container's host, and there is no better place on it.
func mountKind(mountinfo, path string) (name string, yes bool) {
	best, kind := "", ""
	for _, line := range strings.Split(mountinfo, "\n") {
		left, right, ok := strings.Cut(line, " - ")
		f, g := strings.Fields(left), strings.Fields(right)
		if !ok || len(f) < 5 || len(g) < 1 {
			continue
		}
		at := unescapeMount(f[4])
		inside := path == at || strings.HasPrefix(path, strings.TrimSuffix(at, "/")+"/")
		if inside && len(at) >= len(best) { // the later of two mounts on one point hides the other
			best, kind = at, g[0]
		}
	}
	switch {
	case best == "/" || best == "":
		return "", false
	case strings.HasPrefix(kind, "fuse."), kind == "nfs", kind == "nfs4", kind == "cifs", kind == "smb3":
		return kind + " file system at " + best, true
	}
	return "", false
}

// unescapeMount undoes the octal escapes of blanks in a mount point.
func unescapeMount(s string) string {
	return strings.NewReplacer(`\040`, " ", `\011`, "\t", `\012`, "\n", `\134`, `\`).Replace(s)
}
