//! The service with one more route, the cheapest there can be: what a cached table is measured beside.

use std::path::Path;

use actix_web::web::{self, Bytes, Data, ServiceConfig};
use actix_web::{HttpRequest, HttpResponse};
use wearmark_api::config::ServeConfig;
use wearmark_api::serve::Running;
use wearmark_api::storage::Storage;

use crate::world;

/// The largest body that the constant route gives.
const MOST_BYTES: usize = 1 << 20;

/// A service in this process on the small demo world, which answers `/constant/{length}` as well, in
/// the same workers and behind the same middleware. It stops when this is dropped.
pub struct ConstantBeside {
    /// `http://127.0.0.1:PORT`.
    pub url: String,
    running: Option<Running>,
    storage: Storage,
}

impl ConstantBeside {
    /// Starts it on a data folder that it makes.
    ///
    /// # Panics
    /// When it does not start.
    pub fn start(folder: &Path) -> ConstantBeside {
        let intake = world::stored(folder, usize::MAX);
        let storage = intake.storage.clone();
        let body = Bytes::from(vec![b'1'; MOST_BYTES]);
        let extra = move |config: &mut ServiceConfig| {
            config.service(
                web::resource("/constant/{length}")
                    .app_data(Data::new(body.clone()))
                    .route(web::get().to(constant)),
            );
        };
        let running = Running::start_with(ServeConfig::local(0), intake, extra).unwrap();
        ConstantBeside { url: format!("http://{}", running.address()), running: Some(running), storage }
    }
}

impl Drop for ConstantBeside {
    fn drop(&mut self) {
        drop(self.running.take());
        self.storage.close();
    }
}

/// A JSON number of that many digits.
async fn constant(body: Data<Bytes>, request: HttpRequest) -> HttpResponse {
    let length = request.match_info().get("length").and_then(|l| l.parse().ok()).unwrap_or(0);
    HttpResponse::Ok().content_type("application/json").body(body.slice(..MOST_BYTES.min(length)))
}
