package zones

import (
	"archive/zip"
	"bytes"
	"errors"
	"strings"
	"testing"
)

// put makes the archive another one for this test.
func put(t *testing.T, b []byte) {
	kept := archive
	archive = b
	t.Cleanup(func() { archive = kept })
}

// An archive that is damaged is an error of the program, not a zone that nobody knows.
func TestDamagedArchive(t *testing.T) {
	table, err := Table("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	f, err := w.CreateHeader(&zip.FileHeader{Name: "Europe/Dublin", Method: zip.Store})
	if err != nil {
		t.Fatal(err)
	}
	f.Write(table)
	if f, err = w.Create("README"); err != nil {
		t.Fatal(err)
	}
	f.Write([]byte("no zone"))
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	put(t, b.Bytes())
	if got, err := Table("Europe/Dublin"); err != nil || !bytes.Equal(got, table) {
		t.Fatalf("the archive of one zone: %v", err)
	}
	if _, err := Table("README"); !errors.Is(err, ErrUnknown) {
		t.Errorf("a file that is no zone: %v", err)
	}

	spoilt := bytes.Clone(b.Bytes())
	spoilt[bytes.Index(spoilt, table)+20] ^= 1
	put(t, spoilt)
	if _, err := Table("Europe/Dublin"); err == nil || errors.Is(err, ErrUnknown) || !strings.Contains(err.Error(), "reading zone Europe/Dublin") {
		t.Errorf("a table with one bit changed: %v", err)
	}
	put(t, b.Bytes()[:40])
	if _, err := Table("Europe/Dublin"); err == nil || errors.Is(err, ErrUnknown) || !strings.Contains(err.Error(), "opening the zone archive") {
		t.Errorf("half an archive: %v", err)
	}
}
