// Package heif reads the main picture of an HEIC or HEIF file through the
// system's libheif. Turning and mirroring boxes of the file (irot, imir) are
// applied by the library and outrank any EXIF orientation (ISO/IEC 23008-12),
// so pictures come out upright.
package heif

/*
#cgo pkg-config: libheif
#include <stdio.h>
#include <string.h>
#include <libheif/heif.h>

enum { QT_HEIF_MESSAGE = 200 };

// Opens the file and its main picture; *ctx and *handle are freed by qt_heif_finish.
static struct heif_error qt_heif_open(const void *data, size_t size, int max_side,
                                      struct heif_context **ctx, struct heif_image_handle **handle) {
  *handle = NULL;
  *ctx = heif_context_alloc();
  heif_context_set_maximum_image_size_limit(*ctx, max_side);
  struct heif_error e = heif_context_read_from_memory_without_copy(*ctx, data, size, NULL);
  if (e.code == heif_error_Ok) e = heif_context_get_primary_image_handle(*ctx, handle);
  return e;
}

// The text of an error belongs to the context: it is copied before that goes.
static int qt_heif_finish(struct heif_error e, struct heif_context *ctx, struct heif_image_handle *handle, char *message) {
  snprintf(message, QT_HEIF_MESSAGE, "%s", e.message ? e.message : "");
  if (handle) heif_image_handle_release(handle);
  if (ctx) heif_context_free(ctx);
  return e.code != heif_error_Ok;
}

// Decodes to tightly packed 8-bit RGB of exactly width x height.
static int qt_heif_rgb(const void *data, size_t size, int max_side,
                       int width, int height, unsigned char *rgb, char *message) {
  struct heif_context *ctx;
  struct heif_image_handle *handle;
  struct heif_image *image = NULL;
  struct heif_error e = qt_heif_open(data, size, max_side, &ctx, &handle);
  if (e.code == heif_error_Ok) {
    struct heif_decoding_options *o = heif_decoding_options_alloc();
    if (o->version >= 3) o->strict_decoding = 1;
    o->convert_hdr_to_8bit = 1;
    e = heif_decode_image(handle, &image, heif_colorspace_RGB, heif_chroma_interleaved_RGB, o);
    heif_decoding_options_free(o);
  }
  if (e.code == heif_error_Ok) {
    int stride;
    const unsigned char *p = heif_image_get_plane_readonly(image, heif_channel_interleaved, &stride);
    if (!p || heif_image_get_width(image, heif_channel_interleaved) != width ||
        heif_image_get_height(image, heif_channel_interleaved) != height) {
      e.code = heif_error_Invalid_input;
      e.message = "picture size differs from the header";
    } else {
      for (int y = 0; y < height; y++) memcpy(rgb + (size_t)y * width * 3, p + (size_t)y * stride, (size_t)width * 3);
    }
  }
  if (image) heif_image_release(image);
  return qt_heif_finish(e, ctx, handle, message);
}

static int qt_heif_size(const void *data, size_t size, int max_side, int *width, int *height, char *message) {
  struct heif_context *ctx;
  struct heif_image_handle *handle;
  struct heif_error e = qt_heif_open(data, size, max_side, &ctx, &handle);
  if (e.code == heif_error_Ok) {
    *width = heif_image_handle_get_width(handle);
    *height = heif_image_handle_get_height(handle);
  }
  return qt_heif_finish(e, ctx, handle, message);
}
*/
import "C"

import (
	"fmt"
	"strings"
	"unsafe"
)

// maxSide bounds either side before the library allocates, in pixels.
const maxSide = 20000

// Header is what the file says of its main picture, as seen upright.
type Header struct {
	Width, Height int
}

// Version is the version of libheif in use, such as 1.15.1.
func Version() string { return C.GoString(C.heif_get_version()) }

// ReadHeader reads the size; no pixel is decoded.
func ReadHeader(data []byte) (Header, error) {
	if len(data) == 0 {
		return Header{}, fmt.Errorf("heic file is empty")
	}
	var w, h C.int
	var message [C.QT_HEIF_MESSAGE]C.char
	if C.qt_heif_size(unsafe.Pointer(unsafe.SliceData(data)), C.size_t(len(data)), maxSide, &w, &h, &message[0]) != 0 {
		return Header{}, damaged(&message[0])
	}
	if w < 1 || h < 1 {
		return Header{}, fmt.Errorf("heic header gives no size")
	}
	return Header{Width: int(w), Height: int(h)}, nil
}

// Decode reads the main picture as interleaved 8-bit RGB of the header's size,
// upright. Damage of any kind is an error.
func Decode(data []byte) (rgb []byte, h Header, err error) {
	if h, err = ReadHeader(data); err != nil {
		return nil, h, err
	}
	rgb = make([]byte, 3*h.Width*h.Height)
	var message [C.QT_HEIF_MESSAGE]C.char
	if C.qt_heif_rgb(unsafe.Pointer(unsafe.SliceData(data)), C.size_t(len(data)), maxSide, C.int(h.Width), C.int(h.Height),
		(*C.uchar)(unsafe.Pointer(unsafe.SliceData(rgb))), &message[0]) != 0 {
		return nil, h, damaged(&message[0])
	}
	return rgb, h, nil
}

func damaged(message *C.char) error {
	return fmt.Errorf("heic data is damaged or of a kind not read (%s)", strings.Join(strings.Fields(C.GoString(message)), " "))
}
