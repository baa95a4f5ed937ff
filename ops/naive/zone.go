package naive

import (
	"archive/zip"
	"encoding/base64"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"sync"
)

var zones sync.Map // name -> base64 of the TZif bytes

// zoneData is the TZif bytes of a zone in base64, from the system's table or
// the one that comes with Go.
func zoneData(name string) (string, error) {
	if text, ok := zones.Load(name); ok {
		return text.(string), nil
	}
	data, err := os.ReadFile(filepath.Join("/usr/share/zoneinfo", name))
	if err != nil {
		if data, err = zoneFromGo(name); err != nil {
			return "", fmt.Errorf("reading zone %s: %w", name, err)
		}
	}
	text := base64.StdEncoding.EncodeToString(data)
	zones.Store(name, text)
	return text, nil
}

func zoneFromGo(name string) ([]byte, error) {
	archive, err := zip.OpenReader(filepath.Join(runtime.GOROOT(), "lib", "time", "zoneinfo.zip"))
	if err != nil {
		return nil, err
	}
	defer archive.Close()
	f, err := archive.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(f)
}
