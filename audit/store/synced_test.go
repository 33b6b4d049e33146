package store

import (
	"path/filepath"
	"testing"
)

// The table is invented, in the form of proc_pid_mountinfo(5).
const mounts = `22 1 254:1 / / rw,relatime shared:1 - ext4 /dev/vda1 rw
30 22 0:26 / /data/mk/share rw - nfs4 server:/share rw
31 22 0:27 / /data/mk/far\040away rw,nosuid shared:9 master:2 - fuse.faraway faraway rw
32 22 0:28 / /data/mk/disk rw - fuseblk /dev/sdb1 rw
33 30 254:2 / /data/mk/share/local rw - ext4 /dev/vdb rw
`

func TestMountKind(t *testing.T) {
	for path, want := range map[string]string{
		"/data/mk/bench":             "",
		"/data/mk/share":             "nfs4 file system at /data/mk/share",
		"/data/mk/share/bench":       "nfs4 file system at /data/mk/share",
		"/data/mk/shared":            "",
		"/data/mk/far away/bench":    "fuse.faraway file system at /data/mk/far away",
		"/data/mk/disk/bench":        "",
		"/data/mk/share/local/bench": "",
	} {
		name, yes := mountKind(mounts, path)
		if name != want || yes != (want != "") {
			t.Errorf("%s: %q %v, want %q", path, name, yes, want)
		}
	}
	if name, yes := mountKind("1 0 0:1 / / rw - nfs server:/ rw\n", "/data/mk"); yes {
		t.Errorf("the root file system counts: %s", name)
	}
	if name, yes := SyncedFolder(filepath.Join(t.TempDir(), "not", "there", "yet")); yes && name == "" {
		t.Error("a synced folder has no name")
	}
}
